"""Suppliers and deliveries behind a traced lot."""

from collections import defaultdict
from collections.abc import Iterable, Sequence

from sqlmodel import Session

from service.core.quantities import share_text
from service.journal.read import Knowledge, current_by_id, texts_of
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
        self._trace = trace
        self._share_of = dict(trace.composition.shares)
        self.deliveries = deliveries_of(session, trace.lots.values(), known)
        self.names = partner_names(session, [one.supplier_id for one in self.deliveries.values()], known)

    def by_supplier(self) -> list[PartyShareOut]:
        """Suppliers, the largest share first."""
        return self._summed(is_by_delivery=False)

    def by_delivery(self) -> list[PartyShareOut]:
        """Deliveries, the largest share first."""
        return self._summed(is_by_delivery=True)

    def _summed(self, *, is_by_delivery: bool) -> list[PartyShareOut]:
        shares: dict[tuple[str, int | None], int] = defaultdict(int)
        counts: dict[tuple[str, int | None], int] = defaultdict(int)
        for lot_id in self._trace.composition.may_contain:
            lot = self._trace.lots[lot_id]
            delivery = self.deliveries.get(lot.delivery_id or 0)
            name = self.names[delivery.supplier_id] if delivery else origin_word(lot)
            group = (name, lot.delivery_id if is_by_delivery else None)
            shares[group] += self._share_of.get(lot_id, 0)
            counts[group] += 1
        rows = [
            PartyShareOut(
                supplier=name,
                delivery_id=delivery_id,
                ticket_no=self.deliveries[delivery_id].ticket_no if delivery_id in self.deliveries else None,
                lots=counts[name, delivery_id],
                share=share_text(share),
            )
            for (name, delivery_id), share in shares.items()
        ]
        return sorted(rows, key=lambda row: (row.share, row.supplier, row.delivery_id or 0), reverse=True)


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
