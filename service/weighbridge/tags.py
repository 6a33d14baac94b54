"""What the tags of a delivery's bales say."""

from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.core.quantities import kg_text
from service.journal.read import get_current
from service.labels.bale_tag import BaleTagContent
from service.lots.queries import origin_masses
from service.lots.statuses import MassBasis
from service.plant.tables import Material
from service.weighbridge.queries import contents_of
from service.weighbridge.tables import Delivery


def tags_of(session: Session, delivery: Delivery, zone: ZoneInfo) -> dict[str, BaleTagContent]:
    """A tag for each lot of a delivery that stays, by code, in the order they were registered; none once reversed.

    Parameters
    ----------
    zone : of the plant; the day on a tag is the plant's own.
    """
    if delivery.void:
        return {}
    contents = contents_of(session, delivery)
    masses = origin_masses(session, [lot.id for lot in contents.lots])
    material: Material = get_current(session, Material, delivery.material_id, "material")
    staying = {lot.id for lot in contents.staying}
    tags = {}
    for place, lot in enumerate(contents.lots, start=1):
        if lot.id not in staying:
            continue
        mass = masses.get(lot.id)
        basis = None if mass is None else "weighed" if mass.basis is MassBasis.WEIGHED else "estimated"
        tags[lot.code] = BaleTagContent(
            code=lot.code,
            material=material.name,
            ticket_no=delivery.ticket_no,
            bale_no=place,
            bales=len(contents.lots),
            arrived_on=delivery.arrived_at.astimezone(zone).date(),
            supplier_tag=lot.supplier_tag,
            mass_kg=None if mass is None else kg_text(mass.material_g),
            mass_basis=basis,
        )
    return tags
