"""A lot as it stands: what it is, what is left of it, and which holds reach it."""

from sqlmodel import Session

from service.core.quantities import kg_text
from service.journal.read import Knowledge
from service.lineage.holds import holds_reaching
from service.lineage.schemas import LotHoldOut, LotOut
from service.lots.moisture import find_moisture
from service.lots.queries import get_lot_fact, materials_of
from service.lots.stock import accounts_of
from service.lots.tables import Lot


def lot_out(session: Session, lot: Lot, known: Knowledge | None = None) -> LotOut:
    account = accounts_of(session, [lot.id], known)[lot.id]
    moisture = find_moisture(session, lot.id, known)
    if moisture is None and lot.delivery_id is not None:
        moisture = find_moisture(session, lot.delivery_id, known)
    fact = get_lot_fact(session, lot.id, known)
    return LotOut(
        id=lot.id,
        code=lot.code,
        kind=lot.kind,
        origin=lot.origin,
        material=materials_of(session, [lot.id], known)[lot.id].code,
        supplier_tag=lot.supplier_tag,
        delivery_id=lot.delivery_id,
        born_at=lot.born_at,
        mass_kg=None if account.mass_g is None else kg_text(account.mass_g),
        mass_basis=account.origin.basis if account.origin else None,
        tie_kg=kg_text(account.origin.tie_g) if account.origin else None,
        on_hand_kg=kg_text(account.on_hand_g),
        moisture_fraction=moisture.value if moisture else None,
        moisture_basis=moisture.basis if moisture else None,
        note=fact.note,
        fed_into=sorted({line.process_id for line, _ in account.taken}),
        made_by=sorted({line.process_id for line in account.produced}),
        holds=[
            LotHoldOut(hold_id=reach.hold.id, cause=reach.cause, through_lot=reach.source.code)
            for reach in holds_reaching(session, [lot.id]).get(lot.id, [])
        ],
    )
