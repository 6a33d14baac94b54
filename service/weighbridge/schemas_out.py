"""What the gate answers. Every field is always there; null says that something is not known yet."""

from service.core.receipt import PayableFormula
from service.lots.statuses import MassBasis, MeasurementBasis
from service.web import Moment, Out
from service.weighbridge.statuses import (
    Decision,
    DeductionKind,
    DeliveryForm,
    NonFoodStatus,
    Purpose,
    RemarkKind,
    WeighingEntry,
    WeighingKind,
    WeighingOrigin,
)


class WeighingOut(Out):
    """`in_calibration` is null where the scale is not ours or states no calibration interval."""

    id: int
    kind: WeighingKind
    mass_kg: str
    origin: WeighingOrigin
    entry: WeighingEntry
    instrument: str | None
    in_calibration: bool | None
    weighed_at: Moment
    recorded_at: Moment
    ticket_series: str
    ticket_no: str
    frame_base64: str | None
    valid_for: list[Purpose]


class ChoiceOut(Out):
    id: int
    version: int
    purpose: Purpose
    gross_id: int | None
    tare_id: int | None
    agreed_net_kg: str | None
    reason: str | None


class DeductionOut(Out):
    id: int
    version: int
    kind: DeductionKind
    purpose: Purpose
    pieces: int
    per_piece_kg: str
    mass_kg: str


class DeliveryMoistureOut(Out):
    """`basis` default: the plant's setting, because nothing was measured or stated."""

    moisture_fraction: str
    basis: MeasurementBasis
    taken_at: Moment | None
    reported_at: Moment | None
    method: str | None


class UncertaintyOut(Out):
    """Doubt of the physical net: U = k x u. `covers` says what is in it and what is not."""

    net_expanded_uncertainty_kg: str | None
    coverage_factor: str
    covers: str
    missing_because: str | None


class MassesOut(Out):
    """Three masses of one truck, none computed back from another: physical, dry, payable."""

    gross_kg: str | None
    tare_kg: str | None
    net_kg: str | None
    physical_deductions_kg: str
    material_kg: str | None
    platform_difference_kg: str | None
    uncertainty: UncertaintyOut
    moisture: DeliveryMoistureOut | None
    dry_kg: str | None
    payment_net_kg: str | None
    sent_back_kg: str
    payment_deductions_kg: str
    payable_kg: str | None
    payable_formula: PayableFormula | None
    payable_is_provisional: bool
    payable_missing_because: str | None


class SupplierDifferenceOut(Out):
    """Theirs minus ours; the fraction is of our net."""

    supplier_net_kg: str
    difference_kg: str
    difference_fraction: str
    tolerance_fraction: str | None
    is_inside: bool | None


class BaleOut(Out):
    """A lot of the delivery. `basis` allocated: estimated from the truck's net, not weighed by itself."""

    code: str
    supplier_tag: str | None
    material_kg: str | None
    tie_kg: str | None
    basis: MassBasis | None
    platform_kg: str | None
    left_on_truck: bool
    sent_back: bool


class RemarkOut(Out):
    """Something noticed. `lot` null: about the whole load; `photo_sha256` is of the bytes that are kept."""

    id: int
    delivery_id: int
    kind: RemarkKind
    lot: str | None
    note: str | None
    noticed_at: Moment
    photo_sha256: str | None
    photo_is_erased: bool
    is_withdrawn: bool


class DeliverySummary(Out):
    """One line of the list of tickets. `gross_kg` is there before the truck has left; `net_kg` is not."""

    id: int
    ticket_no: str
    is_reversed: bool
    plate: str | None
    supplier: str
    supplier_is_mapped: bool
    material: str
    form: DeliveryForm
    arrived_at: Moment
    note_no: str | None
    note_count: int | None
    counted: int | None
    decision: Decision
    is_open: bool
    gross_kg: str | None
    net_kg: str | None


class DeliveryPage(Out):
    """`next_after` goes into `after` for the next page; null on the last one."""

    deliveries: list[DeliverySummary]
    next_after: int | None


class DeliveryFacts(Out):
    """What is recorded of the delivery itself."""

    id: int
    version: int
    is_reversed: bool
    ticket_no: str
    supplier: str
    carrier: str | None
    owner: str | None
    material: str
    contract: str | None
    form: DeliveryForm
    arrived_at: Moment
    plate: str | None
    driver: str | None
    note_no: str | None
    note_mass_kg: str | None
    note_count: int | None
    counted: int | None
    order_no: str | None
    origin_country: str | None
    nonfood_status: NonFoodStatus
    nonfood_fraction: str | None
    decision: Decision


class DeliveryOut(DeliveryFacts):
    """A ticket with everything that hangs on it. `blocks`: what the delivery may not be used for yet."""

    site: str
    supplier_name: str | None
    supplier_is_mapped: bool
    blocks: list[str]
    is_open: bool
    count_discrepancy: int | None
    weighings: list[WeighingOut]
    choices: list[ChoiceOut]
    deductions: list[DeductionOut]
    masses: MassesOut
    supplier_difference: SupplierDifferenceOut | None
    bales: list[BaleOut]
    remarks: list[RemarkOut]


class VersionStamp(Out):
    """When a version was so, when it was recorded, by whom and why."""

    effective_at: Moment
    recorded_at: Moment
    actor_id: int
    reason: str | None
    is_withdrawn: bool


class DeliveryVersion(Out):
    stamp: VersionStamp
    facts: DeliveryFacts


class ChoiceVersion(Out):
    stamp: VersionStamp
    facts: ChoiceOut


class DeductionVersion(Out):
    stamp: VersionStamp
    facts: DeductionOut


class MoistureVersion(Out):
    stamp: VersionStamp
    facts: DeliveryMoistureOut


class RemarkVersion(Out):
    stamp: VersionStamp
    facts: RemarkOut


class ReadingFacts(Out):
    """One version of a reading of the truck; a mistyped figure is corrected by the next one."""

    id: int
    version: int
    kind: WeighingKind
    mass_kg: str
    weighed_at: Moment
    ticket_series: str
    ticket_no: str


class ReadingVersion(Out):
    stamp: VersionStamp
    facts: ReadingFacts


class VersionsOut(Out):
    """Every version of everything that was stated about a delivery, oldest first."""

    delivery: list[DeliveryVersion]
    weighings: list[ReadingVersion]
    choices: list[ChoiceVersion]
    deductions: list[DeductionVersion]
    moisture: list[MoistureVersion]
    remarks: list[RemarkVersion]
