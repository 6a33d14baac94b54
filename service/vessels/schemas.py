"""What comes in and goes out for vessels."""

from typing import Annotated, Literal

from pydantic import Field

from service.lots.statuses import Amount, Category, LotKind
from service.plant.statuses import Mixing, VesselKind
from service.runs.schemas import Portion
from service.web import Body, Code, FractionIn, KgIn, LotCode, Moment, Out, Reason

__all__ = ["Amount", "ChargeIn", "DrawIn", "ProvenEmptyIn", "VesselContentOut", "VesselOut"]


class ChargeIn(Body):
    """A lot, part of it or what is left of it, going into the vessel on top of what stands there."""

    lot: LotCode
    amount: Portion
    mass_kg: KgIn | None = None
    moisture_fraction: FractionIn | None = None
    start_at: Moment
    end_at: Moment | None = None


class DrawIn(Body):
    """Mass drawn from the vessel: a new lot, made of what the vessel held."""

    kind: LotKind
    material: Code
    category: Literal[Category.PRODUCT, Category.BY_PRODUCT, Category.WASTE] = Category.PRODUCT
    mass_kg: KgIn
    moisture_fraction: FractionIn | None = None
    start_at: Moment
    end_at: Moment | None = None


class ProvenEmptyIn(Body):
    """The vessel was emptied and inspected: what stood in it before cannot be in what is drawn after."""

    at: Moment
    note: Reason


class VesselContentOut(Out):
    """Part of a vessel's present content, by the lot it was charged with."""

    lot: str
    dry_kg: str
    share: str


class VesselOut(Out):
    id: int
    code: str
    name: str
    kind: VesselKind
    mixing: Mixing
    capacity_kg: str
    proof_sha256: str | None
    proof_from: Moment | None
    proof_to: Moment | None
    since: Moment
    content_dry_kg: str
    content: list[VesselContentOut]
    may_contain: list[str]
    overdrawn_dry_kg: str
    drawn_lot: Annotated[str | None, Field(description="Code of the lot just drawn; null otherwise.")]
