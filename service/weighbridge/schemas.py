"""What comes in at the gate. What goes out stands in `schemas_out`."""

from typing import Annotated, Self

from pydantic import Base64Bytes, Field, model_validator

from service.lots.schemas import MoistureDoubt
from service.lots.statuses import MeasurementBasis
from service.partners.schemas import Country
from service.web import Body, Code, FractionIn, KgIn, LotCode, Moment, Name, Reason, fault_in
from service.weighbridge.statuses import (
    DeductionKind,
    DeliveryForm,
    NonFoodStatus,
    Purpose,
    WeighingEntry,
    WeighingKind,
    WeighingOrigin,
)

BALES_MAX = 2_000  # a truck holds some dozens; a figure beyond this is a typing error

Number = Annotated[str, Field(min_length=1, max_length=64)]
TicketWord = Annotated[str, Field(min_length=1, max_length=32)]
Tag = Annotated[str, Field(min_length=1, max_length=64, description="The supplier's own tag; need not be unique.")]
Count = Annotated[int, Field(ge=1, le=BALES_MAX)]
Frame = Annotated[
    Base64Bytes,
    Field(max_length=4096, description="The bytes the indicator sent, in base64, kept as evidence."),
]
PrivateWord = Annotated[str, Field(min_length=1, max_length=100, description="Personal: kept apart, erasable.")]


class ScaleReading(Body):
    """One reading of one of the plant's own scales. Without `ticket_no` the scale's next number is given."""

    instrument: Code
    mass_kg: KgIn
    weighed_at: Moment
    entry: WeighingEntry = WeighingEntry.INDICATOR
    ticket_no: TicketWord | None = None
    frame_base64: Frame | None = None

    @model_validator(mode="after")
    def _is_read_now(self) -> Self:
        if self.entry is WeighingEntry.STORED_TARE:
            raise fault_in("entry", "entry stored_tare is for tare weighings only")
        return self


class WeighingIn(Body):
    """A gross or tare weighing of the truck, on our scale, on the supplier's, or on a third one."""

    kind: Annotated[WeighingKind, Field(description="gross or tare; platform weighings belong to a lot.")]
    mass_kg: KgIn
    weighed_at: Moment
    origin: WeighingOrigin = WeighingOrigin.OWN
    entry: WeighingEntry = WeighingEntry.INDICATOR
    instrument: Code | None = None
    ticket_series: TicketWord | None = Field(default=None, description="Whose ticket; for a scale that is not ours.")
    ticket_no: TicketWord | None = None
    frame_base64: Frame | None = None

    @model_validator(mode="after")
    def _names_its_scale(self) -> Self:
        if self.kind is WeighingKind.PLATFORM:
            raise fault_in("kind", "kind must be gross or tare; weigh a bale with POST /v1/lots/{code}/weighings")
        if self.entry is WeighingEntry.STORED_TARE and self.kind is not WeighingKind.TARE:
            raise fault_in("entry", "entry stored_tare is for tare weighings only")
        if self.origin is WeighingOrigin.OWN:
            if self.instrument is None:
                raise fault_in("instrument", "instrument is missing: an own weighing names its scale")
            if self.ticket_series is not None:
                raise fault_in("ticket_series", "ticket_series is the scale's own for an own weighing; leave it out")
            return self
        if self.instrument is not None:
            raise fault_in("instrument", f"instrument names a scale of this plant, but origin is {self.origin}")
        if self.ticket_no is None:
            raise fault_in(
                "ticket_no", "ticket_no is missing: a weighing on somebody else's scale is known by its ticket"
            )
        return self


class NoteFields(Body):
    """What the papers say. Everything may be missing: the gate records what it has."""

    note_no: Number | None = None
    note_mass_kg: KgIn | None = Field(default=None, description="Net mass the supplier's note states.")
    note_count: Annotated[int, Field(ge=0, le=BALES_MAX)] | None = None
    order_no: Number | None = None
    origin_country: Country | None = Field(default=None, description="Where the waste arose.")
    plate: PrivateWord | None = None
    driver: PrivateWord | None = None
    carrier: Code | None = None
    owner: Code | None = Field(default=None, description="Whose material it is; null: the plant's own.")


class DeliveryIn(NoteFields):
    """A truck at the gate. Give `supplier` (a partner code), or `supplier_name` when nobody knows him yet."""

    site: Code
    supplier: Code | None = None
    supplier_name: Name | None = None
    material: Code
    form: DeliveryForm
    arrived_at: Moment
    contract: Code | None = Field(default=None, description="Found by supplier, material and day if left out.")
    nonfood_status: NonFoodStatus = NonFoodStatus.MISSING
    nonfood_fraction: FractionIn | None = None
    gross: ScaleReading | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if (self.supplier is None) == (self.supplier_name is None):
            raise fault_in("supplier", "give either supplier (a partner code) or supplier_name (nobody knows him yet)")
        check_nonfood(self.nonfood_status, self.nonfood_fraction)
        return self


def check_nonfood(status: NonFoodStatus, fraction_ppm: int | None) -> None:
    """A fraction is there exactly when somebody tested or stated it."""
    is_known = status in (NonFoodStatus.TESTED, NonFoodStatus.STATED)
    if is_known and fraction_ppm is None:
        raise fault_in(
            "nonfood_fraction", f"nonfood_fraction is missing: nonfood_status {status} comes with a fraction"
        )
    if not is_known and fraction_ppm is not None:
        raise fault_in("nonfood_status", "nonfood_status must be tested or stated when nonfood_fraction is given")


class CorrectionIn(NoteFields):
    """What was recorded wrongly. A field left out stays as it is; null empties one that may be empty."""

    supplier: Code | None = None
    material: Code | None = None
    contract: Code | None = None
    arrived_at: Moment | None = None
    nonfood_status: NonFoodStatus | None = None
    nonfood_fraction: FractionIn | None = None
    reason: Reason

    @model_validator(mode="after")
    def _changes_something(self) -> Self:
        given = self.model_fields_set - {"reason"}
        if not given:
            raise ValueError("name at least one field to correct")
        for name in ("supplier", "material", "arrived_at", "nonfood_status"):
            if name in given and getattr(self, name) is None:
                raise fault_in(name, f"{name} cannot be emptied; leave it out to keep it")
        if self.nonfood_status is not None:
            check_nonfood(self.nonfood_status, self.nonfood_fraction)
        elif "nonfood_fraction" in given:
            raise fault_in("nonfood_status", "give nonfood_status together with nonfood_fraction")
        return self


class ReasonIn(Body):
    """Why."""

    reason: Reason


class ChoiceIn(Body):
    """Which weighings are valid for one purpose. Physics is always weighed; payment may be agreed on a net."""

    purpose: Purpose
    gross_id: Annotated[int, Field(ge=1, lt=2**53)] | None = None
    tare_id: Annotated[int, Field(ge=1, lt=2**53)] | None = None
    agreed_net_kg: KgIn | None = None
    reason: Reason

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.gross_id is None) != (self.tare_id is None):
            raise fault_in("tare_id", "gross_id and tare_id belong together")
        if (self.gross_id is None) == (self.agreed_net_kg is None):
            raise fault_in("gross_id", "give either gross_id and tare_id, or agreed_net_kg")
        if self.agreed_net_kg is not None and self.purpose is Purpose.PHYSICAL:
            raise fault_in(
                "agreed_net_kg", "agreed_net_kg is for payment only: the physical mass is weighed, never agreed"
            )
        return self


class DeductionIn(Body):
    """Mass taken off the net. Ties and pallets were on the truck; contaminants lower what is paid.

    Ties have one entry per delivery, and a second one replaces it; other kinds add up unless `replaces`
    names the entry meant. Replacing needs a reason.
    """

    kind: DeductionKind
    pieces: Annotated[int, Field(ge=1, le=100_000)]
    per_piece_kg: KgIn
    replaces: Annotated[int, Field(ge=1, lt=2**53)] | None = None
    reason: Reason | None = None


class CountIn(Body):
    """What was counted. `accept` takes the count over into the deduction for ties."""

    counted: Annotated[int, Field(ge=0, le=BALES_MAX)]
    accept: bool = False
    reason: Reason


class WeighedBale(Body):
    """A bale of this request with a real weight: named by its tag, or by its place counted from 0."""

    tag: Tag | None = None
    index: Annotated[int, Field(ge=0, lt=BALES_MAX)] | None = None
    mass_kg: Annotated[KgIn, Field(description="Without wire or strap.")]

    @model_validator(mode="after")
    def _names_one(self) -> Self:
        if (self.tag is None) == (self.index is None):
            raise fault_in("tag", "name the bale by tag or by index")
        return self


class BalesIn(Body):
    """All bales of a truck in one action. `tags` may be shorter than `count` and may hold nulls."""

    count: Count
    counted: Annotated[int, Field(ge=1, le=BALES_MAX)] | None = Field(
        default=None, description="Bales found in all; what is registered, if left out."
    )
    tags: Annotated[list[Tag | None], Field(max_length=BALES_MAX, default_factory=list)]
    weighed: Annotated[list[WeighedBale], Field(max_length=BALES_MAX, default_factory=list)]
    instrument: Code | None = Field(default=None, description="The platform scale of the weighed ones.")
    weighed_at: Moment | None = None
    reason: Reason | None = Field(default=None, description="Needed when further bales are found later.")

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if len(self.tags) > self.count:
            raise fault_in("tags", f"{len(self.tags)} tags are given for {self.count} bales")
        if self.weighed and (self.instrument is None or self.weighed_at is None):
            raise fault_in("weighed", "weighed bales need instrument and weighed_at")
        return self


class LoadLotIn(Body):
    """One lot for a load without bales: loose, or packed goods such as virgin, additive or bought flake."""

    supplier_tag: Tag | None = None
    note: Annotated[str, Field(max_length=400)] | None = None


class RejectionIn(Body):
    """Bales that go back. `on_truck_at_tare`: they stayed on the truck, so the net never contained them."""

    bales: Annotated[list[LotCode], Field(max_length=BALES_MAX, default_factory=list)]
    whole_load: bool = False
    on_truck_at_tare: bool
    rejected_at: Moment | None = None
    reason: Reason

    @model_validator(mode="after")
    def _names_something(self) -> Self:
        if self.whole_load == bool(self.bales):
            raise fault_in("bales", "name the bales, or set whole_load and name none")
        return self


class DeliveryMoistureIn(Body):
    """Moisture of a delivery, as a fraction of its wet mass."""

    moisture_fraction: FractionIn
    u_moisture_fraction: MoistureDoubt | None = None
    basis: Annotated[MeasurementBasis, Field(description="provisional or measured.")]
    taken_at: Moment
    reported_at: Moment | None = None
    method: Annotated[str, Field(min_length=1, max_length=100)] | None = None
    reason: Reason

    @model_validator(mode="after")
    def _sampled_then_reported(self) -> Self:
        if self.basis is MeasurementBasis.DEFAULT:
            raise fault_in("basis", "basis must be provisional or measured; a default is a setting of the plant")
        if self.reported_at is not None and self.reported_at < self.taken_at:
            raise fault_in("reported_at", "reported_at must not lie before taken_at")
        return self
