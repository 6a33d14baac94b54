"""What goes in and out about lineage and holds."""

from typing import Annotated, Self

from pydantic import Field, model_validator
from typing_extensions import TypedDict

from service.lots.statuses import HoldSubject, LotKind, LotOrigin, MassBasis, MeasurementBasis
from service.web import Body, Id, LotCode, Moment, Out, Reason, fault_in


class HoldIn(Body):
    """Put a lot, a delivery or a supplier on hold, and with it everything that may contain some of it."""

    lot: LotCode | None = None
    delivery_id: Id | None = None
    partner: Annotated[str | None, Field(max_length=32)] = None
    cause: Reason
    placed_at: Moment | None = None

    @model_validator(mode="after")
    def _one_subject(self) -> Self:
        if sum(subject is not None for subject in (self.lot, self.delivery_id, self.partner)) != 1:
            raise fault_in("lot", "name exactly one of lot, delivery_id and partner")
        return self


class LiftIn(Body):
    """Lift a hold; somebody else than the one who placed it must do it."""

    reason: Reason


class AffectedLotOut(Out):
    lot: str
    kind: LotKind
    mass_kg: str
    on_hand_kg: str
    share: str


class AffectedVesselOut(Out):
    vessel: str
    content_dry_kg: str
    share: str


class HoldOut(Out):
    id: int
    subject_kind: HoldSubject
    subject_id: int
    cause: str
    placed_at: Moment
    lifted: bool
    affected_lots: list[str]


class ShareOut(Out):
    """One origin lot behind the traced lot; `bale` holds its code, `kind` says what it is."""

    bale: str
    kind: str
    share: str


class BoundedShareOut(TypedDict):
    """One origin lot with its expected share and what no mixing can break: no lot holds more of it than there is.

    `max_share` takes the source as received, wet, so it is rather too wide; both are null while the lot has no mass.
    """

    # Rows come by the thousand: a plain dict costs a fraction of an object, and is checked by the type checker here.
    bale: str
    kind: str
    share: str
    min_share: str | None
    max_share: str | None


class PartyShareOut(Out):
    """Share of one supplier or one delivery, summed over its lots before any rounding."""

    supplier: str
    delivery_id: int | None
    ticket_no: str | None
    lots: int
    share: str


class RangeOut(Out):
    """Part of a may-contain set that is too wide to list: everything that went into a run or vessel in a time.

    `bales` counts origin lots; null where that would mean reading the whole history: `expand` lists them.
    """

    process: int
    vessel: str | None
    from_at: Moment = Field(serialization_alias="from")
    to_at: Moment = Field(serialization_alias="to")
    bales: int | None


class TraceOut(Out):
    """What a lot was made from.

    `may_contain` is complete: every origin lot some of which may be in it, for recalls; `why_wide` says which vessels
    make it so wide. `shares` are the expected dry-mass shares, for claims and statistics; with `remainder` (below
    `share_cut_off`, or not attributed to anything recorded) they sum to 1 exactly.
    """

    lot: str
    may_contain: list[str | RangeOut]
    why_wide: list[str]
    shares: list[BoundedShareOut]
    share_cut_off: str
    remainder: str
    suppliers: list[PartyShareOut]
    deliveries: list[PartyShareOut]
    post_consumer_share_percent: str
    denominator: str
    steps: list[int]
    unattributed_lots: list[str]
    known_sizes: dict[str, int]


class DrawnFromOut(Out):
    """A vessel out of which more may have come: whatever was drawn since, and whatever was made of that."""

    vessel: str
    process: int
    from_at: Moment = Field(serialization_alias="from")
    to_at: Moment | None = Field(serialization_alias="to")


class TraceDownOut(Out):
    """Where a lot, a delivery or a supplier went.

    `affected` and `vessels` are every lot and vessel that may contain some of it. Where that would be too much to
    list, `affected` holds the lots of which a share of at least the cut-off is expected to be it, and `also_from` says
    out of which vessels and since when anything else may contain some: together they are complete.
    """

    sources: list[str]
    affected: list[AffectedLotOut]
    vessels: list[AffectedVesselOut]
    also_from: list[DrawnFromOut]
    known_sizes: dict[str, int]


class LotHoldOut(Out):
    hold_id: int
    cause: str
    through_lot: str


class LotOut(Out):
    """A lot as it stands. `mass_kg` is null while its truck has no tare."""

    id: int
    code: str
    kind: LotKind
    origin: LotOrigin
    material: str
    supplier_tag: str | None
    delivery_id: int | None
    born_at: Moment
    mass_kg: str | None
    mass_basis: MassBasis | None
    tie_kg: str | None
    on_hand_kg: str
    moisture_fraction: str | None
    moisture_basis: MeasurementBasis | None
    note: str | None
    fed_into: list[int]
    made_by: list[int]
    holds: list[LotHoldOut]
