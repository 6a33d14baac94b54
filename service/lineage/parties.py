"""Suppliers and deliveries behind a traced lot."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

from sqlalchemy import Select, select
from sqlmodel import Session

from service.core.quantities import share_text
from service.journal.one_of import one_of
from service.journal.read import Knowledge, chunks, current_by_id, stands, texts_of
from service.journal.tables import PrivateText
from service.journal.values import table_of
from service.lineage.schemas import PartyShareOut
from service.lineage.trace import Trace, origin_word
from service.lots.rows import LotRow
from service.lots.tables import Lot
from service.partners.tables import Partner
from service.weighbridge.tables import Delivery


class Parties:
    """Sums of the shares of one trace, by supplier and by delivery.

    They are sums of the shares as shown, so that two tables of one trace can never disagree and all of them add up
    with the remainder to 1.
    """

    def __init__(self, session: Session, trace: Trace, known: Knowledge | None = None) -> None:
        share_of = dict(trace.composition.shares)
        by_delivery: dict[int | None, list[int]] = defaultdict(list)
        for lot_id in trace.composition.may_contain:
            by_delivery[trace.lots[lot_id].delivery_id].append(lot_id)
        came_with = _came_with(session, (one for one in by_delivery if one is not None), known)
        self._sums: list[PartySum] = []
        for delivery_id, lot_ids in by_delivery.items():
            found = came_with.get(delivery_id or 0)
            if found is not None:
                share = sum(share_of.get(lot_id, 0) for lot_id in lot_ids)
                self._sums.append(PartySum(found.supplier, delivery_id, found.ticket_no, len(lot_ids), share))
                continue
            for lot_id in lot_ids:
                name = origin_word(trace.lots[lot_id])
                self._sums.append(PartySum(name, delivery_id, None, 1, share_of.get(lot_id, 0)))

    def by_supplier(self) -> list[PartyShareOut]:
        """Suppliers, the largest share first."""
        return _added(one._replace(delivery_id=None, ticket_no=None) for one in self._sums)

    def by_delivery(self) -> list[PartyShareOut]:
        """Deliveries, the largest share first."""
        return _added(self._sums)


class PartySum(NamedTuple):
    """What some lots of one supplier or of one delivery come to; terms as in `PartyShareOut`, the share per 10**12."""

    supplier: str
    delivery_id: int | None
    ticket_no: str | None
    lots: int
    share_e12: int


def _added(sums: Iterable[PartySum]) -> list[PartyShareOut]:
    """One row for each supplier and delivery, the largest share first."""
    found: dict[tuple[str, int | None], PartySum] = {}
    for one in sums:
        other = found.get((one.supplier, one.delivery_id))
        if other is not None:
            one = one._replace(lots=one.lots + other.lots, share_e12=one.share_e12 + other.share_e12)
        found[one.supplier, one.delivery_id] = one
    rows = [
        PartyShareOut(
            supplier=one.supplier,
            delivery_id=one.delivery_id,
            ticket_no=one.ticket_no,
            lots=one.lots,
            share=share_text(one.share_e12),
        )
        for one in found.values()
    ]
    return sorted(rows, key=lambda row: (row.share, row.supplier, row.delivery_id or 0), reverse=True)


class CameWith(NamedTuple):
    """A delivery in the words of its papers."""

    supplier: str
    ticket_no: str


def _came_with(session: Session, delivery_ids: Iterable[int], known: Knowledge | None) -> dict[int, CameWith]:
    """Supplier and ticket of several deliveries; a supplier whose name was erased goes by its code."""
    found = {}
    for portion in chunks(set(delivery_ids)):
        rows = session.connection().execute(_papers(known), {"wanted": portion}).all()
        for delivery_id, ticket_no, name, code in rows:
            found[delivery_id] = CameWith(name or code, ticket_no)
    return found


# The sizes of a few states of knowledge come again and again, those of the past hardly ever.
@lru_cache(maxsize=32)
def _papers(known: Knowledge | None) -> Select[Any]:
    delivery, partner, name = table_of(Delivery), table_of(Partner), table_of(PrivateText)
    joined = delivery.join(partner, partner.c.id == delivery.c.supplier_id).join(name, name.c.id == partner.c.name_id)
    return (
        select(delivery.c.id, delivery.c.ticket_no, name.c.text, partner.c.code)
        .select_from(joined)
        .where(
            one_of(delivery.c.id, "wanted"),
            *stands(delivery.c, table_of(Delivery).alias().c, known),
            *stands(partner.c, table_of(Partner).alias().c, known),
        )
    )


def deliveries_of(
    session: Session, lots: Iterable[Lot | LotRow], known: Knowledge | None = None
) -> dict[int, Delivery]:
    """The deliveries that lots came in with."""
    wanted = {lot.delivery_id for lot in lots if lot.delivery_id is not None}
    return current_by_id(session, Delivery, wanted, known)


def partner_names(session: Session, partner_ids: Sequence[int], known: Knowledge | None = None) -> dict[int, str]:
    partners = current_by_id(session, Partner, partner_ids, known)
    names = texts_of(session, [partner.name_id for partner in partners.values()])
    return {partner.id: names[partner.name_id] or partner.code for partner in partners.values()}
