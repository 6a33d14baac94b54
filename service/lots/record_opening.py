"""Opening stock, and a lot's own moisture."""

from service.core.quantities import kg_text
from service.errors import Findings, Unacceptable
from service.journal.entry import Entry
from service.journal.tables import site_of
from service.lots.moisture import find_moisture, record_moisture
from service.lots.queries import get_lot, lines_of_lots
from service.lots.record import NewLot, OriginMass, register_lots, set_origin_masses
from service.lots.schemas import LotBornOut, MoistureIn, MoistureOut, OpeningLotIn
from service.lots.statuses import LotOrigin, MassBasis, MeasurementBasis
from service.lots.tables import Lot, Measurement
from service.plant.queries import find_by_code, get_by_code
from service.plant.tables import Material, Site


def record_opening_lot(entry: Entry, opening: OpeningLotIn) -> LotBornOut:
    """Register what stood here before records began. It counts as nothing in any claim."""
    site = get_by_code(entry.session, Site, opening.site)
    entry.open(site.site_no, "opening_lot_registered", opening.found_at)
    findings = Findings()
    material = find_by_code(entry.session, Material, opening.material)
    if material is None:
        findings.add("/material", f"there is no material {opening.material!r}", "Register it first.")
    if opening.found_at > entry.now:
        findings.add("/found_at", f"{opening.found_at.isoformat()} lies in the future", "Give when it was found.")
    findings.refuse_if_any(Unacceptable, code="opening-lot-refused", detail="The lot cannot be as given.")
    assert material is not None
    [lot] = register_lots(
        entry, [NewLot(opening.kind, LotOrigin.OPENING, material.id, opening.found_at, note=opening.note)]
    )
    set_origin_masses(entry, [OriginMass(lot.id, opening.mass_kg, 0, MassBasis.DECLARED)], reason="opening stock")
    if opening.moisture_fraction is not None:
        record_moisture(
            entry,
            lot.id,
            fraction_ppm=opening.moisture_fraction,
            u_ppm=opening.u_moisture_fraction,
            basis=MeasurementBasis.MEASURED,
            taken_at=opening.found_at,
        )
    return LotBornOut(
        id=lot.id,
        code=lot.code,
        kind=lot.kind,
        origin=lot.origin,
        material=material.code,
        mass_kg=kg_text(opening.mass_kg),
        born_at=lot.born_at,
    )


def record_lot_moisture(entry: Entry, code: str, moisture: MoistureIn) -> MoistureOut:
    """Record a lot's moisture; every line that rests on the earlier value follows.

    Until it is measured by itself, a lot has the moisture of its delivery: lines that named that name the lot's now.
    """
    lot = get_lot(entry.session, code)
    entry.open(site_of(lot.id), "lot_moisture_recorded", moisture.taken_at)
    if moisture.reported_at is not None and moisture.reported_at < moisture.taken_at:
        findings = Findings()
        findings.add("/reported_at", "lies before taken_at", "Give both times with their offsets.")
        findings.refuse_if_any(Unacceptable, code="times-backwards", detail="A result cannot precede its sample.")
    is_first = find_moisture(entry.session, lot.id) is None
    row = record_moisture(
        entry,
        lot.id,
        fraction_ppm=moisture.moisture_fraction,
        u_ppm=moisture.u_moisture_fraction,
        basis=moisture.basis,
        taken_at=moisture.taken_at,
        reported_at=moisture.reported_at,
        method=moisture.method,
        reason=moisture.reason,
    )
    if is_first and lot.delivery_id is not None:
        _take_from_delivery(entry, lot, row, moisture.reason or "the lot was measured by itself")
    return MoistureOut(
        lot=lot.code,
        version=row.version,
        moisture_fraction=row.value,
        u_moisture_fraction=row.u_value,
        basis=row.basis,
        taken_at=row.taken_at,
        reported_at=row.reported_at,
        method=row.method,
    )


def _take_from_delivery(entry: Entry, lot: Lot, own: Measurement, reason: str) -> None:
    """Lines of a lot that rest on the moisture of its truck rest on the lot's own from now on."""
    shared = find_moisture(entry.session, lot.delivery_id or 0)
    for line in lines_of_lots(entry.session, [lot.id]).get(lot.id, []):
        if shared is not None and line.moisture_id == shared.id:
            entry.revise(line, reason, moisture_id=own.id)
