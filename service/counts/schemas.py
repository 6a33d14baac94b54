"""What comes in and goes out for stock counts and levels."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from service.counts.statuses import LevelHow
from service.web import Body, Code, FractionIn, Id, KgIn, LotCode, Moment, Out, Reason, fault_in

LINES_MAX = 500


class CountLineIn(Body):
    """One lot: not found, or found; without a mass its book mass stands."""

    lot: LotCode
    is_found: bool = True
    mass_kg: KgIn | None = None
    pieces: Annotated[int | None, Field(ge=1, le=100_000)] = None

    @model_validator(mode="after")
    def _found_has_mass(self) -> Self:
        if not self.is_found and (self.mass_kg is not None or self.pieces is not None):
            raise fault_in("mass_kg", "what was not found has no mass and no pieces")
        return self


class StockCountIn(Body):
    """A count of lots at one moment. It changes nothing in the book until another person approves it."""

    site: Code
    counted_at: Moment
    place: Annotated[str | None, Field(max_length=64, description="Where; everywhere if left out.")] = None
    note: Annotated[str | None, Field(max_length=400)] = None
    lines: Annotated[list[CountLineIn], Field(min_length=1, max_length=LINES_MAX)]


class CountLinesIn(Body):
    """More lots of a count that is not approved yet; a lot counted before is counted again."""

    lines: Annotated[list[CountLineIn], Field(min_length=1, max_length=LINES_MAX)]


class CountApprovalIn(Body):
    """The differences are booked as found, each on its lot, with this reason."""

    version: Annotated[int, Field(ge=1, description="Of the count, as the approver looked at it.")]
    reason: Reason


class CountWithdrawalIn(Body):
    """The count does not hold; what its approval booked is withdrawn with it, by another person than counted."""

    reason: Reason


class CountLineOut(Out):
    """A lot as counted, beside what the book says of the moment; loss positive."""

    id: int
    lot: LotCode
    material: str
    is_found: bool
    pieces: int | None
    counted_kg: Annotated[str | None, Field(description="Null if found and not weighed: the book's mass stands.")]
    book_kg: Annotated[str | None, Field(description="Null for a bale of which no tare was weighed yet.")]
    difference_kg: Annotated[
        str,
        Field(
            description="Missing positive, found beyond negative: book less counted, and of an approved count what it "
            "booked."
        ),
    ]
    booked_lot: Annotated[LotCode | None, Field(description="A new lot of what was found beyond the book.")]
    rests_on_revised_data: Annotated[
        bool,
        Field(
            description="Something of that time was booked or corrected after approval, so that the book then is no "
            "longer what was counted: withdraw the count and count anew."
        ),
    ]


class CountOut(Out):
    id: int
    version: int
    site: str
    counted_at: Moment
    place: str | None
    note: str | None
    counter: str | None
    approved_at: Moment | None
    approver: str | None
    is_withdrawn: bool
    lines: list[CountLineOut]
    missing_kg: str
    found_beyond_kg: str
    rests_on_revised_data: Annotated[bool, Field(description="True if it holds for any line.")]
    lots_not_counted: Annotated[int, Field(description="Lots of which the site's book says something is there.")]


class LevelIn(Body):
    """How full a vessel is: exactly one of level_fraction, volume_m3 and mass_kg."""

    read_at: Moment
    level_fraction: FractionIn | None = None
    volume_m3: Annotated[str | None, Field(pattern=r"^\d{1,5}(\.\d{1,3})?$", description="Cubic metres.")] = None
    mass_kg: KgIn | None = None
    material: Code
    moisture_fraction: FractionIn | None = None

    @model_validator(mode="after")
    def _one_reading(self) -> Self:
        if sum(value is not None for value in (self.level_fraction, self.volume_m3, self.mass_kg)) != 1:
            raise fault_in("level_fraction", "give exactly one of level_fraction, volume_m3 and mass_kg")
        return self


class LevelCorrectionIn(Body):
    """The reading does not hold."""

    reason: Reason


class LevelOut(Out):
    """A level as mass, beside the book. The book is not changed: a level is worth less than the lines are."""

    id: Id
    version: int
    vessel: str
    read_at: Moment
    how: LevelHow
    material: str
    content_dry_kg: str
    u95_kg: str
    doubt: Annotated[list[str], Field(description="What the doubt comes from, the largest first.")]
    book_dry_kg: Annotated[str, Field(description="Charged less drawn; below zero if more was drawn.")]
    difference_kg: Annotated[str, Field(description="Book less level: missing positive.")]
    is_beyond_doubt: bool
    is_withdrawn: bool
