"""The masses of a delivery in words and figures, each with what it rests on or why it is missing."""

from decimal import ROUND_HALF_UP, Decimal

from sqlmodel import Session

from service.core.quantities import (
    PPM,
    divide_half_up,
    dry_kg_text,
    dry_ug,
    fraction_text,
    kg_text,
    parse_fraction,
)
from service.journal.read import Knowledge, find_current
from service.lots.moisture import find_moisture, ppm_of
from service.lots.queries import origin_masses
from service.lots.statuses import MeasurementBasis
from service.lots.tables import Measurement
from service.partners.tables import Contract, Partner
from service.plant.queries import find_setting
from service.plant.statuses import SettingKey
from service.plant.tables import Instrument, Material
from service.weighbridge.masses import (
    COVERAGE_FACTOR,
    Load,
    Pair,
    deducted_g,
    material_g,
    net_doubt,
    payable_of,
    payment_net_g,
    physical_pair,
    supplier_difference,
)
from service.weighbridge.queries import Contents
from service.weighbridge.schemas_out import (
    BaleOut,
    DeliveryMoistureOut,
    MassesOut,
    SupplierDifferenceOut,
    UncertaintyOut,
)
from service.weighbridge.statuses import Purpose
from service.weighbridge.tables import Delivery

UNCERTAINTY_COVERS = (
    "the two readings only, each within its scale's in-service limits or stated reading uncertainty and independent "
    "of the other; not the span error that all readings of one scale share, and not the deductions"
)


def kg_or_none(mass_g: int | None) -> str | None:
    return None if mass_g is None else kg_text(mass_g)


def moisture_out(measured: Measurement) -> DeliveryMoistureOut:
    return DeliveryMoistureOut(
        moisture_fraction=fraction_text(ppm_of(measured)),
        basis=measured.basis,
        taken_at=measured.taken_at,
        reported_at=measured.reported_at,
        method=measured.method,
    )


def _moisture_out(
    session: Session, delivery: Delivery, material: Material, known: Knowledge | None
) -> DeliveryMoistureOut | None:
    """What was measured or stated, else the plant's default for the material, marked as such."""
    measured = find_moisture(session, delivery.id, known)
    if measured is not None:
        return moisture_out(measured)
    scopes = (material.code, material.form.value, "")
    setting = find_setting(session, SettingKey.DEFAULT_MOISTURE, scopes, delivery.arrived_at, known)
    if setting is None:
        return None
    return DeliveryMoistureOut(
        moisture_fraction=fraction_text(parse_fraction(setting.value)),
        basis=MeasurementBasis.DEFAULT,
        taken_at=None,
        reported_at=None,
        method=None,
    )


def sent_back_g(session: Session, contents: Contents, known: Knowledge | None = None) -> int:
    """Material that was unloaded, weighed with the load and sent back afterwards, grams."""
    return sum(mass.material_g for mass in origin_masses(session, contents.sent_back, known).values())


def masses_out(
    session: Session,
    load: Load,
    contents: Contents,
    supplier: Partner,
    material: Material,
    instruments: dict[int, Instrument],
    known: Knowledge | None,
) -> MassesOut:
    delivery = load.delivery
    pair = physical_pair(load)
    net_g = material_g(load)
    moisture = _moisture_out(session, delivery, material, known)
    moisture_ppm = None if moisture is None else parse_fraction(moisture.moisture_fraction)
    back_g = sent_back_g(session, contents, known)
    payable = payable_of(
        load,
        supplier_is_mapped=supplier.is_mapped,
        contract=find_current(session, Contract, delivery.contract_id, known) if delivery.contract_id else None,
        moisture_ppm=moisture_ppm,
        moisture_basis=MeasurementBasis.DEFAULT if moisture is None else moisture.basis,
        sent_back_g=back_g,
    )
    is_dry_known = net_g is not None and moisture_ppm is not None
    return MassesOut(
        gross_kg=None if pair is None else kg_text(pair.gross.mass_g),
        tare_kg=None if pair is None else kg_text(pair.tare.mass_g),
        net_kg=None if pair is None else kg_text(pair.net_g),
        physical_deductions_kg=kg_text(deducted_g(load, Purpose.PHYSICAL)),
        material_kg=kg_or_none(net_g),
        platform_difference_kg=kg_or_none(_platform_difference_g(contents, net_g)),
        uncertainty=_uncertainty_out(pair, instruments),
        moisture=moisture,
        dry_kg=dry_kg_text(dry_ug(net_g or 0, moisture_ppm or 0)) if is_dry_known else None,
        payment_net_kg=kg_or_none(payment_net_g(load)),
        sent_back_kg=kg_text(back_g),
        payment_deductions_kg=kg_text(deducted_g(load, Purpose.PAYMENT)),
        payable_kg=kg_or_none(payable.payable_g),
        payable_formula=payable.formula,
        payable_is_provisional=payable.is_provisional,
        payable_missing_because=payable.missing_because,
    )


def _platform_difference_g(contents: Contents, material_net_g: int | None) -> int | None:
    """Sum of the platform weights less the material net, once every bale has a weight."""
    weights = [contents.platform.get(lot.id) for lot in contents.carrying]
    if material_net_g is None or not weights or None in weights:
        return None
    return sum(weighing.mass_g for weighing in weights if weighing is not None) - material_net_g


def _uncertainty_out(pair: Pair | None, instruments: dict[int, Instrument]) -> UncertaintyOut:
    doubt = net_doubt(pair, instruments)
    expanded_g = doubt.expanded_g
    whole_g = None if expanded_g is None else int(expanded_g.quantize(Decimal(1), ROUND_HALF_UP))
    return UncertaintyOut(
        net_expanded_uncertainty_kg=kg_or_none(whole_g),
        coverage_factor=str(COVERAGE_FACTOR),
        covers=UNCERTAINTY_COVERS,
        missing_because=doubt.missing_because,
    )


def difference_out(
    session: Session, load: Load, material: Material, known: Knowledge | None
) -> SupplierDifferenceOut | None:
    setting = find_setting(
        session, SettingKey.SUPPLIER_NET_TOLERANCE, (material.code, ""), load.delivery.arrived_at, known
    )
    found = supplier_difference(load, None if setting is None else parse_fraction(setting.value))
    if found is None:
        return None
    return SupplierDifferenceOut(
        supplier_net_kg=kg_text(found.supplier_net_g),
        difference_kg=kg_text(found.difference_g),
        difference_fraction=fraction_text(divide_half_up(found.difference_g * PPM, found.our_net_g)),
        tolerance_fraction=None if found.tolerance_ppm is None else fraction_text(found.tolerance_ppm),
        is_inside=found.is_inside,
    )


def bales_out(session: Session, contents: Contents, known: Knowledge | None) -> list[BaleOut]:
    masses = origin_masses(session, [lot.id for lot in contents.lots], known)
    rows = []
    for lot in contents.lots:
        mass, platform = masses.get(lot.id), contents.platform.get(lot.id)
        rows.append(
            BaleOut(
                code=lot.code,
                supplier_tag=lot.supplier_tag,
                material_kg=None if mass is None else kg_text(mass.material_g),
                tie_kg=None if mass is None else kg_text(mass.tie_g),
                basis=None if mass is None else mass.basis,
                platform_kg=None if platform is None else kg_text(platform.mass_g),
                left_on_truck=lot.id in contents.left_on_truck,
                sent_back=lot.id in contents.sent_back,
            )
        )
    return rows
