"""Puts a delivery into words and figures: rows and computed masses become what the gate answers."""

from base64 import b64encode

from sqlmodel import Session, col

from service.core.quantities import fraction_text, kg_text
from service.journal.read import Knowledge, current, find_current, get_current, text_of
from service.journal.tables import site_of
from service.partners.queries import partners_by_id
from service.partners.tables import Contract, Partner
from service.plant.in_force import in_force, versions_by_id
from service.plant.tables import Instrument, Material, Site
from service.weighbridge.answer_masses import bales_out, difference_out, kg_or_none, masses_out
from service.weighbridge.masses import Load, Pair, chosen_pair, is_open, physical_pair
from service.weighbridge.queries import contents_of, load_of
from service.weighbridge.remarks import remarks_out
from service.weighbridge.schemas_out import ChoiceOut, DeductionOut, DeliveryFacts, DeliveryOut, WeighingOut
from service.weighbridge.statuses import Purpose
from service.weighbridge.tables import Deduction, Delivery, Weighing, WeighingChoice

BLOCKS_OF_UNMAPPED_SUPPLIER = ["payment", "food use"]


def delivery_out(session: Session, delivery: Delivery, known: Knowledge | None = None) -> DeliveryOut:
    """A ticket with everything that hangs on it, as known at `known`."""
    load = load_of(session, delivery, known)
    contents = contents_of(session, delivery, known)
    supplier = get_current(session, Partner, delivery.supplier_id, "partner", known)
    material = get_current(session, Material, delivery.material_id, "material", known)
    instruments = _instruments(session, load, known)
    return DeliveryOut(
        **facts_out(session, delivery, known).model_dump(),
        site=_site_code(session, delivery.id),
        supplier_name=text_of(session, supplier.name_id),
        supplier_is_mapped=supplier.is_mapped,
        blocks=[] if supplier.is_mapped else BLOCKS_OF_UNMAPPED_SUPPLIER,
        is_open=is_open(load),
        count_discrepancy=_count_discrepancy(delivery),
        weighings=[_weighing_out(weighing, load, instruments) for weighing in load.weighings],
        choices=[choice_out(session, choice) for choice in load.choices],
        deductions=[deduction_out(taken) for taken in load.deductions],
        masses=masses_out(session, load, contents, supplier, material, instruments, known),
        supplier_difference=difference_out(session, load, material, known),
        bales=bales_out(session, contents, known),
        remarks=remarks_out(session, delivery.id, known),
    )


def _site_code(session: Session, delivery_id: int) -> str:
    site: Site = session.execute(current(Site).where(col(Site.site_no) == site_of(delivery_id))).scalar_one()
    return site.code


def _count_discrepancy(delivery: Delivery) -> int | None:
    if delivery.counted is None or delivery.note_count is None:
        return None
    return delivery.counted - delivery.note_count


def _instruments(session: Session, load: Load, known: Knowledge | None) -> dict[int, Instrument]:
    """By weighing, the version of its scale that was in force when it weighed."""
    wanted = {weighing.instrument_id for weighing in load.weighings if weighing.instrument_id is not None}
    found = versions_by_id(session, Instrument, wanted, known)
    return {
        weighing.id: in_force(found[weighing.instrument_id], weighing.weighed_at)
        for weighing in load.weighings
        if weighing.instrument_id in found
    }


def facts_out(session: Session, delivery: Delivery, known: Knowledge | None = None) -> DeliveryFacts:
    """One version of the delivery itself; codes as they are known at `known`."""
    partners = partners_by_id(session, (delivery.supplier_id, delivery.carrier_id, delivery.owner_id), known)
    material = get_current(session, Material, delivery.material_id, "material", known)
    contract = find_current(session, Contract, delivery.contract_id, known) if delivery.contract_id else None
    return DeliveryFacts(
        id=delivery.id,
        version=delivery.version,
        is_reversed=delivery.void,
        ticket_no=delivery.ticket_no,
        supplier=partners[delivery.supplier_id].code,
        carrier=None if delivery.carrier_id is None else partners[delivery.carrier_id].code,
        owner=None if delivery.owner_id is None else partners[delivery.owner_id].code,
        material=material.code,
        contract=None if contract is None else contract.code,
        form=delivery.form,
        arrived_at=delivery.arrived_at,
        plate=text_of(session, delivery.plate_id),
        driver=text_of(session, delivery.driver_id),
        note_no=delivery.note_no,
        note_mass_kg=kg_or_none(delivery.note_mass_g),
        note_count=delivery.note_count,
        counted=delivery.counted,
        order_no=delivery.order_no,
        origin_country=delivery.origin_country,
        nonfood_status=delivery.nonfood_status,
        nonfood_fraction=None if delivery.nonfood_ppm is None else fraction_text(delivery.nonfood_ppm),
        decision=delivery.decision,
    )


def _weighing_out(weighing: Weighing, load: Load, instruments: dict[int, Instrument]) -> WeighingOut:
    instrument = instruments.get(weighing.id)
    return WeighingOut(
        id=weighing.id,
        kind=weighing.kind,
        mass_kg=kg_text(weighing.mass_g),
        origin=weighing.origin,
        entry=weighing.entry,
        instrument=None if instrument is None else instrument.code,
        in_calibration=None if instrument is None else _in_calibration(weighing, instrument),
        weighed_at=weighing.weighed_at,
        recorded_at=weighing.recorded_at,
        ticket_series=weighing.ticket_series,
        ticket_no=weighing.ticket_no,
        frame_base64=None if weighing.frame is None else b64encode(weighing.frame).decode(),
        valid_for=[purpose for purpose in Purpose if _is_in(weighing, _pair_for(load, purpose))],
    )


def _pair_for(load: Load, purpose: Purpose) -> Pair | None:
    if purpose is Purpose.PHYSICAL:
        return physical_pair(load)
    choice = load.choice(Purpose.PAYMENT)
    if choice is not None and choice.agreed_net_g is not None:
        return None
    return chosen_pair(load, Purpose.PAYMENT) or physical_pair(load)


def _is_in(weighing: Weighing, pair: Pair | None) -> bool:
    return pair is not None and weighing.id in (pair.gross.id, pair.tare.id)


def _in_calibration(weighing: Weighing, instrument: Instrument) -> bool | None:
    if instrument.calibrated_from is None:
        return None
    ended = instrument.calibrated_to is not None and weighing.weighed_at >= instrument.calibrated_to
    return weighing.weighed_at >= instrument.calibrated_from and not ended


def choice_out(session: Session, choice: WeighingChoice) -> ChoiceOut:
    return ChoiceOut(
        id=choice.id,
        version=choice.version,
        purpose=choice.purpose,
        gross_id=choice.gross_id,
        tare_id=choice.tare_id,
        agreed_net_kg=kg_or_none(choice.agreed_net_g),
        reason=text_of(session, choice.reason_id),
    )


def deduction_out(taken: Deduction) -> DeductionOut:
    return DeductionOut(
        id=taken.id,
        version=taken.version,
        kind=taken.kind,
        purpose=taken.purpose,
        pieces=taken.pieces,
        per_piece_kg=kg_text(taken.per_piece_g),
        mass_kg=kg_text(taken.pieces * taken.per_piece_g),
    )
