"""What comes in and goes out for recalls."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from service.lots.statuses import HoldSubject, LotKind, Step
from service.recall.statuses import FindingHow
from service.web import Body, Id, KgIn, LotCode, Moment, Out, Reason, fault_in

SOURCES = ("lot", "delivery_id", "partner", "vessel_id")


class SourceIn(Body):
    """Where the bad material is: exactly one of a lot, a delivery, a supplier and a vessel with its time.

    Of a vessel, what was drawn in that time is meant; with `suspect_discharge`, everything that was inside
    during it, whenever it came out.
    """

    lot: LotCode | None = None
    delivery_id: Id | None = None
    partner: Annotated[str | None, Field(max_length=32, description="Code of a supplier.")] = None
    vessel_id: Id | None = None
    from_at: Annotated[Moment | None, Field(alias="from", description="Of a vessel: from when.")] = None
    to_at: Annotated[Moment | None, Field(alias="to", description="Of a vessel: until when, not included.")] = None
    suspect_discharge: Annotated[
        bool, Field(description="Everything that was inside during the time, not only what was drawn in it.")
    ] = False

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        given = [name for name in SOURCES if getattr(self, name) is not None]
        if len(given) != 1:
            named = " and ".join(given) if given else "none"
            raise fault_in(
                given[1] if given else "lot",
                f"name exactly one of lot, delivery_id, partner and vessel_id; given: {named}",
            )
        if self.vessel_id is None:
            for name, value in (("from", self.from_at), ("to", self.to_at)):
                if value is not None:
                    raise fault_in(name, f"only a vessel has a time; leave it out with {given[0]}")
            if self.suspect_discharge:
                raise fault_in("suspect_discharge", f"only a vessel discharges; leave it out with {given[0]}")
        else:
            self._check_time()
        return self

    def _check_time(self) -> None:
        for name, value in (("from", self.from_at), ("to", self.to_at)):
            if value is None:
                raise fault_in(name, "a vessel needs the time in which it gave out what is meant: from and to")
        assert self.from_at is not None
        assert self.to_at is not None
        if self.from_at >= self.to_at:
            raise fault_in(
                "to",
                f"the time runs backwards: from {self.from_at.isoformat()} to {self.to_at.isoformat()}",
            )


class RecallIn(SourceIn):
    """Start a recall: the same act holds everything that may contain some of the source. A mock one holds nothing."""

    cause: Reason
    is_mock: bool = False


class FoundLotIn(Body):
    """A lot, or a vessel with what stands in it, that was found. Without a mass: as much as the book says."""

    lot: LotCode | None = None
    vessel_id: Id | None = None
    mass_kg: KgIn | None = None
    how: FindingHow
    place: Annotated[str | None, Field(min_length=1, max_length=64, description="Where it stands.")] = None

    @model_validator(mode="after")
    def _one_thing(self) -> Self:
        if (self.lot is None) == (self.vessel_id is None):
            raise fault_in("lot", "name either a lot or a vessel_id")
        return self


class FoundIn(Body):
    """What was found; all of it is recorded or none."""

    found: Annotated[list[FoundLotIn], Field(min_length=1, max_length=200)]


class FindingCorrectionIn(Body):
    """Correct what was found as a new version, or withdraw it."""

    reason: Reason
    withdraw: bool = False
    mass_kg: KgIn | None = None
    place: Annotated[str | None, Field(min_length=1, max_length=64)] = None

    @model_validator(mode="after")
    def _says_what(self) -> Self:
        if self.withdraw == any(change is not None for change in (self.mass_kg, self.place)):
            raise fault_in("withdraw", "either withdraw it, or give what is to be corrected")
        return self


class RecallCloseIn(Body):
    """End the search and stop its clock; a hold stays until another person lifts it."""

    note: Reason


class RecallSourceOut(Out):
    """What was asked about; `code` of the lot, the supplier or the vessel, or the number of the ticket.

    `drawn_from` and `drawn_to` say when a vessel gave it out; without an end it still does.
    """

    kind: HoldSubject
    id: int
    code: str
    name: str
    from_at: Moment | None
    to_at: Moment | None
    suspect_discharge: bool
    drawn_from: Moment | None
    drawn_to: Moment | None
    lots: list[str]


class DepartureOut(Out):
    """A shipment, or a return to the supplier, that a lot went out on. No customer is recorded with it yet."""

    run: int
    step: Step
    left_at: Annotated[Moment | None, Field(description="Null while the truck is still being loaded.")]
    mass_kg: str
    note: str | None


class RecalledLotOut(Out):
    """A lot that may contain some of the source. What was used up of it went into other lots of the list."""

    lot: str
    kind: LotKind
    material: str
    is_source: bool
    mass_kg: str | None
    on_hand_kg: str
    loading_kg: str
    shipped_kg: str
    returned_kg: str
    used_up_kg: str
    share: Annotated[str | None, Field(description="Expected; null where it is too small to be kept apart.")]
    expected_kg: str
    on_hold: bool
    departures: list[DepartureOut]


class RecalledVesselOut(Out):
    """A vessel in whose present content some of the source may stand."""

    vessel_id: int
    vessel: str
    name: str
    content_kg: str
    content_dry_kg: str
    share: str
    expected_kg: str
    on_hold: bool


class RecallTotalsOut(Out):
    """Each kilogram once, where it stands now. `complete_kg` is for safety, `expected_kg` for an idea of the size."""

    lots: int
    lots_here: int
    containers_here: int
    containers_gone: int
    complete_kg: str
    expected_kg: str
    on_site_kg: str
    loading_kg: str
    in_vessels_kg: str
    shipped_kg: str
    returned_kg: str


class WideOut(Out):
    """A vessel on the way whose flow is not proven, so that nothing can be ruled out behind it."""

    vessel_id: int
    vessel: str
    since: Moment
    until: Annotated[Moment | None, Field(description="When it was proven empty; null if it was not since.")]
    basis: Annotated[str, Field(description="What is known of its flow.")]
    words: str


class RecallAnswerOut(Out):
    """Everything that may contain some of the source, complete and without a cut-off, and where it stands."""

    source: RecallSourceOut
    lots: list[RecalledLotOut]
    vessels: list[RecalledVesselOut]
    totals: RecallTotalsOut
    why_wide: list[WideOut]
    not_recorded: list[str]
    known_sizes: dict[str, int]


class FindingOut(Out):
    """Something that was found. `is_wanted` is false for what is not on the list."""

    id: int
    lot: str | None
    vessel: str | None
    is_wanted: bool
    mass_kg: str
    how: FindingHow
    place: str | None
    found_at: Moment
    found_by: str
    correction: Annotated[str | None, Field(description="Why it was corrected last; null if it never was.")]


class MissingOut(Out):
    """Something on the list that was not found, or not all of it."""

    lot: str | None
    vessel: str | None
    vessel_id: int | None
    missing_kg: str


class SearchOut(Out):
    """How far the search has come; `percent_found` is of the affected mass in the plant, cut down."""

    wanted_kg: str
    found_kg: str
    percent_found: Annotated[str | None, Field(description="Null where nothing was to be found in the plant.")]
    found: list[FindingOut]
    missing: list[MissingOut]


class RecallHeadOut(Out):
    id: int
    is_mock: bool
    source: str
    cause: str
    started_at: Moment
    closed_at: Moment | None
    seconds_taken: Annotated[int | None, Field(description="From start to close; null while it goes on.")]


class RecallOut(RecallHeadOut):
    """A recall: its list as it was known when it began, and how much of it was found."""

    started_by: str
    hold_id: int | None
    closing_note: str | None
    affected: RecallAnswerOut
    search: SearchOut
