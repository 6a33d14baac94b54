"""What comes in for lots whose history begins here, and for their moisture."""

from typing import Annotated, Literal

from pydantic import Field

from service.lots.statuses import LotKind, LotOrigin, MeasurementBasis
from service.web import Body, Code, FractionIn, KgIn, LotCode, Moment, Out, Reason


class OpeningLotIn(Body):
    """Stock or a heel that stood here before records began; its origin is unknown and stays unknown."""

    site: Code
    kind: LotKind
    material: Code
    mass_kg: KgIn
    moisture_fraction: FractionIn | None = None
    found_at: Moment
    note: Annotated[str | None, Field(max_length=400)] = None


class MoistureIn(Body):
    """A moisture of a lot; the next one is a new version and reaches every balance that used it."""

    moisture_fraction: FractionIn
    basis: Literal[MeasurementBasis.PROVISIONAL, MeasurementBasis.MEASURED]
    taken_at: Moment
    reported_at: Moment | None = None
    method: Annotated[str | None, Field(max_length=100)] = None
    reason: Reason


class MoistureOut(Out):
    lot: LotCode
    version: int
    moisture_fraction: str
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
