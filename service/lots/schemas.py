"""What comes in for lots whose history begins here, and for their moisture."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from service.lots.statuses import LotKind, LotOrigin, MeasurementBasis
from service.web import Body, Code, FractionIn, KgIn, LotCode, Moment, Out, Reason, fault_in

MoistureDoubt = Annotated[
    FractionIn,
    Field(description="Standard uncertainty (k = 1) of the moisture, as a fraction of the wet mass."),
]


def refuse_doubt_alone(doubt: int | None, moisture: int | None) -> None:
    """A stated doubt belongs to a stated moisture."""
    if doubt is not None and moisture is None:
        raise fault_in("u_moisture_fraction", "u_moisture_fraction belongs to moisture_fraction")


class OpeningLotIn(Body):
    """Stock or a heel that stood here before records began; its origin is unknown and stays unknown."""

    site: Code
    kind: LotKind
    material: Code
    mass_kg: KgIn
    moisture_fraction: FractionIn | None = None
    u_moisture_fraction: MoistureDoubt | None = None
    found_at: Moment
    note: Annotated[str | None, Field(max_length=400)] = None

    @model_validator(mode="after")
    def _doubt_of_something(self) -> Self:
        refuse_doubt_alone(self.u_moisture_fraction, self.moisture_fraction)
        return self


class MoistureIn(Body):
    """A moisture of a lot; the next one is a new version and reaches every balance that used it."""

    moisture_fraction: FractionIn
    u_moisture_fraction: MoistureDoubt | None = None
    basis: Literal[MeasurementBasis.PROVISIONAL, MeasurementBasis.MEASURED]
    taken_at: Moment
    reported_at: Moment | None = None
    method: Annotated[str | None, Field(max_length=100)] = None
    reason: Reason


class MoistureOut(Out):
    lot: LotCode
    version: int
    moisture_fraction: str
    u_moisture_fraction: str | None
    basis: MeasurementBasis
    taken_at: Moment | None
    reported_at: Moment | None
    method: str | None


class LotBornOut(Out):
    id: int
    code: str
    kind: LotKind
    origin: LotOrigin
    material: str
    mass_kg: str
    born_at: Moment
