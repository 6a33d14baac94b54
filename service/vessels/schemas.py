"""What comes in and goes out for vessels."""

from typing import Annotated, Literal

from pydantic import Field

from service.lots.statuses import Amount, Category, LotKind
from service.plant.statuses import Mixing, VesselKind
from service.runs.schemas import Portion
from service.vessels.schemas_residence import ResidenceOut
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
    content_older_share: Annotated[
        str, Field(description="Share of what was charged so long ago that it is not told apart any more.")
    ]
    may_contain: Annotated[list[str], Field(description="Every lot charged in this period; empty above 2,000.")]
    may_contain_lots: int
    overdrawn_dry_kg: str
    drawn_lot: Annotated[str | None, Field(description="Code of the lot just drawn; null otherwise.")]
    residence: Annotated[ResidenceOut | None, Field(description="The data in force when mass moved last.")]
    basis: Annotated[str, Field(description="What may_contain rests on, and why it is as wide as it is.")]
    warnings: Annotated[list[str], Field(description="What the book says and cannot have been so; accepted.")]
