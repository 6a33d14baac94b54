"""Where a lot came from, by supplier and delivery, as the drawing and the table beneath it both say it.

Shares are those of `lineage.trace`, per 10**12; here they are only grouped and put into words. What a row says
of itself is made once, so the drawing and the table cannot differ.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.core.apportion import apportion
from service.core.quantities import SHARE_ONE, kg_text, percent_half_up
from service.lineage.parties import Parties, deliveries_of
from service.lineage.trace import Trace, origin_word, remainder_words

UG_PER_G = 1_000_000
# A page stays readable, and below 100 kB, also for a lot behind a silo that was never empty.
SUPPLIERS_SHOWN = 30
DELIVERIES_SHOWN = 60
CODES_OF_A_DELIVERY = 60
CODES_SHOWN = 400

NONE_EXPECTED = "none expected"


@dataclass(frozen=True)
class Part:
    """Some of the origin lots that a lot may contain, and what is expected of them in it.

    Parameters
    ----------
    lots : how many of them the lot may contain.
    share_e12 : expected share of the lot's dry mass, per 10**12.
    dry_g : the same in grams; None while the lot has no dry mass.
    """

    lots: int
    share_e12: int
    dry_g: int | None

    @property
    def percent(self) -> str:
        return percent_shown(self.share_e12)

    @property
    def dry_kg(self) -> str | None:
        return None if self.dry_g is None else kg_text(self.dry_g)


@dataclass(frozen=True)
class Remainder(Part):
    """What is attributed to nothing recorded; that there is none of it is a figure, not an expectation."""

    @property
    def percent(self) -> str:
        return percent_shown(self.share_e12) if self.share_e12 else "0 %"


@dataclass(frozen=True)
class SourceDelivery(Part):
    """One delivery, or origin lots without one, some of which a lot may contain.

    Parameters
    ----------
    delivery_id, ticket_no, arrived_on : None for what came with no delivery.
    codes : of its origin lots, as far as they are listed.
    """

    delivery_id: int | None
    ticket_no: str | None
    arrived_on: date | None
    codes: tuple[str, ...]

    @property
    def not_listed(self) -> int:
        return self.lots - len(self.codes)


@dataclass(frozen=True)
class SourceSupplier(Part):
    """A supplier, or what stood here before records began, with its deliveries, largest share first.

    Parameters
    ----------
    left_out : deliveries that are too many to be listed, together; None where all are.
    left_out_count : how many these are.
    """

    name: str
    deliveries: tuple[SourceDelivery, ...]
    left_out: Part | None
    left_out_count: int


@dataclass(frozen=True)
class SourceTable:
    """All sources of a lot, largest first. Shares and remainder add up to one, and the grams to the whole.

    Parameters
    ----------
    left_out : suppliers that are too many to be listed, together; None where all are.
    total : the lot itself.
    """

    suppliers: tuple[SourceSupplier, ...]
    left_out: Part | None
    left_out_count: int
    remainder: Remainder
    remainder_words: str
    total: Part


def percent_shown(share_e12: int) -> str:
    """A share to read: two decimals, rounded half up; nothing that is there is shown as zero.

    Examples
    --------
    >>> percent_shown(123_456_789_012), percent_shown(1), percent_shown(0)
    ('12.35 %', 'below 0.01 %', 'none expected')
    """
    if share_e12 == 0:
        return NONE_EXPECTED
    if share_e12 == SHARE_ONE:
        return "100 %"
    percent = percent_half_up(share_e12, SHARE_ONE)
    return f"{percent} %" if percent else "below 0.01 %"


def sources_of(session: Session, trace: Trace, zone: ZoneInfo, dry_ug: int | None) -> SourceTable:
    """The sources of a traced lot.

    Parameters
    ----------
    dry_ug : dry mass of the lot, micrograms; None while it is not known.
    """
    rows = Parties(session, trace).by_delivery()
    deliveries = deliveries_of(session, trace.lots.values())
    shares = [_per_e12(row.share) for row in rows]
    remainder_e12 = trace.composition.remainder_e12
    dry_g = None if dry_ug is None else (dry_ug + UG_PER_G // 2) // UG_PER_G
    # To the gram, and so that the rows add up to the whole: each rounded by itself they would not.
    parts_g: list[int | None] = [None] * (len(rows) + 1)
    if dry_g is not None:
        parts_g = [*apportion(dry_g, [*shares, remainder_e12])]
    codes = _codes_listed(trace)
    by_supplier: dict[str, list[SourceDelivery]] = defaultdict(list)
    for row, share, part_g in zip(rows, shares, parts_g, strict=False):
        delivery = deliveries.get(row.delivery_id or 0)
        by_supplier[row.supplier].append(
            SourceDelivery(
                lots=row.lots,
                share_e12=share,
                dry_g=part_g,
                delivery_id=row.delivery_id,
                ticket_no=row.ticket_no,
                arrived_on=None if delivery is None else delivery.arrived_at.astimezone(zone).date(),
                codes=codes[row.supplier if row.delivery_id is None else row.delivery_id],
            )
        )
    suppliers = _listed([_supplier(name, found) for name, found in by_supplier.items()])
    return SourceTable(
        suppliers=tuple(suppliers[:SUPPLIERS_SHOWN]),
        left_out=_together(suppliers[SUPPLIERS_SHOWN:]),
        left_out_count=len(suppliers[SUPPLIERS_SHOWN:]),
        remainder=Remainder(0, remainder_e12, parts_g[-1]),
        remainder_words=remainder_words(trace).capitalize(),
        total=Part(len(trace.composition.may_contain), SHARE_ONE, dry_g),
    )


def _per_e12(share: str) -> int:
    """A share as it leaves the trace, '0.123456789012', as the integer it is."""
    return int(share.replace(".", ""))


def _codes_listed(trace: Trace) -> dict[int | str, tuple[str, ...]]:
    """Codes of origin lots by delivery, or by what they are where they came with none."""
    found: dict[int | str, list[str]] = defaultdict(list)
    for lot_id in sorted(trace.composition.may_contain):
        lot = trace.lots[lot_id]
        found[origin_word(lot) if lot.delivery_id is None else lot.delivery_id].append(lot.code)
    return {key: tuple(codes) for key, codes in found.items()}


def _supplier(name: str, deliveries: Sequence[SourceDelivery]) -> SourceSupplier:
    together = _together(deliveries)
    assert together is not None
    return SourceSupplier(
        lots=together.lots,
        share_e12=together.share_e12,
        dry_g=together.dry_g,
        # A name stands as it is written; what is no name begins with a capital.
        name=name if any(one.delivery_id for one in deliveries) else name.capitalize(),
        deliveries=tuple(deliveries),
        left_out=None,
        left_out_count=0,
    )


def _listed(suppliers: Sequence[SourceSupplier]) -> list[SourceSupplier]:
    """Suppliers, largest share first, with no more deliveries and codes than one page takes."""
    deliveries_left, codes_left = DELIVERIES_SHOWN, CODES_SHOWN
    listed: list[SourceSupplier] = []
    for supplier in sorted(suppliers, key=lambda one: (-one.share_e12, one.name)):
        shown: list[SourceDelivery] = []
        for delivery in supplier.deliveries[:deliveries_left]:
            codes = delivery.codes[: min(CODES_OF_A_DELIVERY, codes_left)]
            codes_left -= len(codes)
            shown.append(replace(delivery, codes=codes))
        deliveries_left -= len(shown)
        rest = supplier.deliveries[len(shown) :]
        listed.append(replace(supplier, deliveries=tuple(shown), left_out=_together(rest), left_out_count=len(rest)))
    return listed


def _together(parts: Sequence[Part]) -> Part | None:
    """Several parts as one; None for no part."""
    if not parts:
        return None
    masses_g = [part.dry_g for part in parts if part.dry_g is not None]
    return Part(
        lots=sum(part.lots for part in parts),
        share_e12=sum(part.share_e12 for part in parts),
        dry_g=sum(masses_g) if masses_g else None,
    )


def supplier_shares(session: Session, trace: Trace) -> list[tuple[str, int]]:
    """Suppliers of a traced lot with their expected shares per 10**12, largest first."""
    rows = Parties(session, trace).by_supplier()
    return [(row.supplier, _per_e12(row.share)) for row in rows]
