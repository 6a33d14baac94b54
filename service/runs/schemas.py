"""What comes in and goes out for runs."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from service.lots.schemas import MoistureDoubt, refuse_doubt_alone
from service.lots.statuses import Amount, Category, Direction, LotKind, MeasurementBasis, Step
from service.web import Body, Code, FractionIn, KgIn, LotCode, Moment, Out, Reason, fault_in

StreamName = Annotated[
    str, Field(pattern=r"^[a-z][a-z0-9_]{0,47}$", description="Name of the stream, e.g. clear_flake, sludge.")
]
ScaleCode = Annotated[Code, Field(description="The scale of this site that mass_kg or gross_kg was read from.")]
Portion = Literal[Amount.MASS, Amount.WHOLE, Amount.REST]
Note = Annotated[str, Field(max_length=400)]
RUN_STEPS = frozenset(Step) - {Step.VESSEL_PERIOD, Step.RETURN_TO_SUPPLIER, Step.COUNT_CORRECTION}


class RunIn(Body):
    """Start a run of one step."""

    site: Code
    step: Step
    started_at: Moment
    equipment: Annotated[Code | None, Field(description="The line it runs on, where one is registered.")] = None
    note: Note | None = None

    @model_validator(mode="after")
    def _is_a_run(self) -> Self:
        if self.step not in RUN_STEPS:
            raise fault_in("step", f"{self.step} is no run: vessels and returns have operations of their own")
        return self


class FeedIn(Body):
    """A lot, part of it or what is left of it, going into the run."""

    lot: LotCode
    amount: Portion
    mass_kg: KgIn | None = None
    instrument: ScaleCode | None = None
    moisture_fraction: FractionIn | None = None
    u_moisture_fraction: MoistureDoubt | None = None
    moisture_basis: Literal[MeasurementBasis.PROVISIONAL, MeasurementBasis.MEASURED] = MeasurementBasis.MEASURED
    start_at: Moment
    end_at: Moment | None = None
    internal_loop: Annotated[bool, Field(description="Came out of this same run and goes back into it.")] = False

    @model_validator(mode="after")
    def _scale_and_doubt_of_something(self) -> Self:
        if self.instrument is not None and self.mass_kg is None:
            raise fault_in("instrument", "instrument belongs to mass_kg: 'whole' and 'rest' rest on the lot's own mass")
        refuse_doubt_alone(self.u_moisture_fraction, self.moisture_fraction)
        return self


class FeedsIn(Body):
    """One or many feeds; all are taken or none. `late_reason` is needed once the run is closed."""

    feeds: Annotated[list[FeedIn], Field(min_length=1, max_length=200)]
    late_reason: Reason | None = None


class TareIn(Body):
    container_type: Code
    pieces: Annotated[int, Field(ge=1, le=100)]


class DischargeIn(Body):
    """Mass coming out: net, or gross with its packaging; `pieces` makes as many equal lots."""

    kind: LotKind
    material: Code
    category: Literal[Category.PRODUCT, Category.BY_PRODUCT, Category.WASTE, Category.INTERNAL_LOOP]
    stream: StreamName
    mass_kg: KgIn | None = None
    gross_kg: KgIn | None = None
    tares: Annotated[list[TareIn], Field(max_length=5, default_factory=list)]
    instrument: ScaleCode | None = None
    pieces: Annotated[int, Field(ge=1, le=200)] = 1
    moisture_fraction: FractionIn | None = None
    u_moisture_fraction: MoistureDoubt | None = None
    moisture_basis: Literal[MeasurementBasis.PROVISIONAL, MeasurementBasis.MEASURED] = MeasurementBasis.MEASURED
    start_at: Moment
    end_at: Moment | None = None
    into_lot: LotCode | None = None
    note: Note | None = None

    @model_validator(mode="after")
    def _net_or_gross(self) -> Self:
        if (self.mass_kg is None) == (self.gross_kg is None):
            raise fault_in("mass_kg", "give either mass_kg, or gross_kg with tares")
        if self.tares and self.gross_kg is None:
            raise fault_in("tares", "tares belong to gross_kg")
        if self.into_lot is not None and self.pieces != 1:
            raise fault_in("pieces", "into_lot fills one lot, so pieces must be 1")
        refuse_doubt_alone(self.u_moisture_fraction, self.moisture_fraction)
        return self


class DischargesIn(Body):
    """One or many discharges; all are taken or none. `late_reason` is needed once the run is closed."""

    discharges: Annotated[list[DischargeIn], Field(min_length=1, max_length=200)]
    late_reason: Reason | None = None


class LossIn(Body):
    """Mass that leaves without becoming a lot: weighed with its moisture, or estimated from the dry input."""

    stream: StreamName
    category: Literal[Category.LOSS, Category.WASTE] = Category.LOSS
    mass_kg: KgIn | None = None
    instrument: ScaleCode | None = None
    moisture_fraction: FractionIn | None = None
    u_moisture_fraction: MoistureDoubt | None = None
    fraction_of_dry_in: FractionIn | None = None
    at: Moment

    @model_validator(mode="after")
    def _weighed_or_estimated(self) -> Self:
        if (self.mass_kg is None) == (self.fraction_of_dry_in is None):
            raise fault_in("mass_kg", "give either mass_kg with moisture_fraction, or fraction_of_dry_in")
        if self.fraction_of_dry_in == 0:
            raise fault_in("fraction_of_dry_in", "fraction_of_dry_in must be above 0: leave a loss of nothing out")
        if self.mass_kg is not None and self.moisture_fraction is None:
            raise fault_in("moisture_fraction", "a weighed loss needs moisture_fraction: the balance is on dry mass")
        if self.fraction_of_dry_in is not None and self.moisture_fraction is not None:
            raise fault_in("moisture_fraction", "an estimate from dry input has no moisture")
        if self.fraction_of_dry_in is not None and self.instrument is not None:
            raise fault_in("instrument", "an estimate from dry input was not weighed")
        refuse_doubt_alone(self.u_moisture_fraction, self.moisture_fraction)
        return self


class LossesIn(Body):
    losses: Annotated[list[LossIn], Field(min_length=1, max_length=50)]
    late_reason: Reason | None = None


class LineCorrectionIn(Body):
    """Correct a line as a new version of it, or withdraw it."""

    reason: Reason
    withdraw: bool = False
    mass_kg: KgIn | None = None
    moisture_fraction: FractionIn | None = None
    start_at: Moment | None = None
    end_at: Moment | None = None

    @model_validator(mode="after")
    def _says_what(self) -> Self:
        changes = (self.mass_kg, self.moisture_fraction, self.start_at, self.end_at)
        if self.withdraw == any(change is not None for change in changes):
            raise fault_in("withdraw", "either withdraw the line, or give what is to be corrected")
        return self


class LineOut(Out):
    id: int
    version: int
    direction: Direction
    category: Category
    stream: str
    lot: str | None
    amount: Amount
    mass_kg: str | None
    instrument: str | None
    moisture_fraction: str | None
    moisture_basis: MeasurementBasis | None
    dry_kg: str | None
    fraction_of_dry_in: str | None
    start_at: Moment
    end_at: Moment | None


class RunOut(Out):
    id: int
    version: int
    step: Step
    equipment: str | None
    started_at: Moment
    ended_at: Moment | None
    is_closed: bool
    note: str | None
    lines: list[LineOut]
