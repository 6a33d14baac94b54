"""What a truck brought last time: offered to the clerk, who may say otherwise."""

from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from sqlmodel import Session, col

from service.journal.read import current, find_current
from service.partners.queries import names_of, partners_by_id
from service.partners.tables import Contract
from service.plant.tables import Instrument, Material
from service.weighbridge.statuses import DeliveryForm, WeighingEntry, WeighingKind
from service.weighbridge.tables import Delivery, Weighing
from service.weighbridge.ticket_list import tickets_with_plate

TICKETS_WITH_TARE = 5


@dataclass(frozen=True)
class PlateGuess:
    """The last delivery of a truck.

    Parameters
    ----------
    supplier_name : None where the name has been erased.
    contract_code : of that delivery; it may have ended since.
    tare_g : the empty truck as one of our scales last showed it, on this or an earlier ticket; None if its latest
        tickets have no such weighing. A stored tare is not one.
    """

    delivery_id: int
    ticket_no: str
    arrived_at: datetime
    supplier_code: str
    supplier_name: str | None
    material_code: str
    carrier_code: str | None
    form: DeliveryForm
    contract_code: str | None
    tare_g: int | None
    tare_weighed_at: datetime | None
    tare_instrument_code: str | None


def last_delivery_with_plate(session: Session, site_no: int, plate: str) -> PlateGuess | None:
    """What the truck with this plate brought to this site last time; None if it is not among the newest tickets.

    A plate is personal and would stand in the access log as part of an address, so no route asks this.
    """
    tickets = tickets_with_plate(session, plate, site_no)
    if not tickets:
        return None
    delivery = session.execute(current(Delivery).where(col(Delivery.id) == tickets[0])).scalar_one()
    partners = partners_by_id(session, (delivery.supplier_id, delivery.carrier_id))
    supplier = partners[delivery.supplier_id]
    carrier = partners.get(delivery.carrier_id or 0)
    material = find_current(session, Material, delivery.material_id)
    assert material is not None  # nothing withdraws a material
    contract = None if delivery.contract_id is None else find_current(session, Contract, delivery.contract_id)
    tare = _last_tare(session, tickets[:TICKETS_WITH_TARE])
    return PlateGuess(
        delivery_id=delivery.id,
        ticket_no=delivery.ticket_no,
        arrived_at=delivery.arrived_at,
        supplier_code=supplier.code,
        supplier_name=names_of(session, [supplier])[supplier.id],
        material_code=material.code,
        carrier_code=None if carrier is None else carrier.code,
        form=delivery.form,
        contract_code=None if contract is None else contract.code,
        tare_g=None if tare is None else tare.mass_g,
        tare_weighed_at=None if tare is None else tare.weighed_at,
        tare_instrument_code=None if tare is None else tare.instrument_code,
    )


class _Tare(NamedTuple):
    mass_g: int
    weighed_at: datetime
    instrument_code: str


def _last_tare(session: Session, tickets: list[int]) -> _Tare | None:
    # Only a weighing of our own names an instrument, so the join leaves out what others weighed.
    codes = current(Instrument).with_only_columns(col(Instrument.id), col(Instrument.code)).subquery()
    weighed = current(Weighing).where(
        col(Weighing.delivery_id).in_(tickets),
        col(Weighing.kind) == WeighingKind.TARE,
        col(Weighing.entry) != WeighingEntry.STORED_TARE,
    )
    query = (
        weighed.join(codes, codes.c.id == col(Weighing.instrument_id))
        .order_by(col(Weighing.weighed_at).desc(), col(Weighing.id).desc())
        .limit(1)
        .with_only_columns(col(Weighing.mass_g), col(Weighing.weighed_at), codes.c.code)
    )
    found = session.execute(query).first()
    return None if found is None else _Tare(*found)
