"""A database with at least one row in every fact and projection table, each fact row in an entry of its own.

The rows are stored through the writer and its journal, but as plain rows: what the verbs make of a plant's
day is tested elsewhere. They are chosen to agree with each other, so that a full verification finds nothing.
"""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any

from sqlalchemy import insert
from sqlmodel import SQLModel

from service.access.statuses import ActorKind
from service.access.tables import Actor
from service.balances.tables import RunBalance
from service.core.codes import code_for
from service.core.doubt_verdict import DoubtVerdict
from service.core.mass_balance import Verdict
from service.core.receipt import PayableFormula
from service.core.weighing import AccuracyClass
from service.counts.statuses import LevelHow
from service.counts.tables import LevelReading, StockCount, StockCountLine
from service.journal.entry import CHECKPOINT_EVERY, Entry, text_digest
from service.journal.tables import SITE_STEP, PrivateText, TextCommitment
from service.lots import statuses as of_lots
from service.lots import tables as lots
from service.papers.statuses import PaperKind
from service.papers.tables import Paper
from service.partners.tables import Contract, Partner
from service.plant import statuses as of_plant
from service.plant import tables as plant
from service.recall.statuses import FindingHow
from service.recall.tables import Recall, RecallFinding
from service.unit_of_work import Writer
from service.weighbridge import statuses as of_gate
from service.weighbridge import tables as gate

SITE_NO = 1
DAY = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
EVENING = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)
LOT_G, TIE_G, FED_G = 500_000, 1_500, 200_000
FED_DRY_UG = 193_800_000_000  # at a moisture of 0.031
MADE_G, CHARGED_G, DRAWN_G = 150_000, 100_000, 50_000
DIGEST = "ab" * 32
PHOTO = b"\xff\xd8\xff\xe0 no picture, but it begins like one"

KINDS = (
    "actor", "balance", "container_type", "contract", "deduction", "delivery", "equipment", "equipment_event",
    "hold", "instrument", "line", "lot", "material", "measurement", "paper", "partner", "process", "recall",
    "recall_finding", "remark", "residence", "setting", "site", "stock_count", "stock_count_line", "level_reading",
    "weighing", "weighing_choice",
)  # fmt: skip
EXTRA = (
    "text", "tare_weighing", "first_residence", "second_equipment", "second_process", "made_lot", "drawn_lot",
    "made_line", "charge_line", "draw_line",
)  # fmt: skip


@dataclass(frozen=True)
class FullDatabase:
    """What was stored: the identity of each kind, and the journal position of each table's row."""

    ids: dict[str, int]
    seqs: dict[str, int]


def fill(writer: Writer, author_id: int = 1) -> FullDatabase:
    """Store the rows; `author_id` is an actor that exists."""

    def register(entry: Entry) -> dict[str, int]:
        entry.open(SITE_NO, "identities_registered")
        kinds = dict(zip(KINDS, KINDS, strict=True)) | {name: name.rpartition("_")[2] for name in EXTRA}
        return {name: entry.new_id(kind) for name, kind in kinds.items()}

    ids = writer.run(author_id, register)
    seqs = {}
    for row in rows(ids):
        seqs[str(type(row).__tablename__)] = writer.run(author_id, partial(store, row=row))
    for row in made_from(ids):
        writer.run(author_id, partial(store, row=row))
    position = 0
    while position < CHECKPOINT_EVERY:  # so that the site's log has a checkpoint, and an entry behind it
        position = writer.run(author_id, lambda entry: entry.open(SITE_NO, "nothing_recorded").seq) % SITE_STEP
    return FullDatabase(ids, seqs)


def store(entry: Entry, row: Any) -> int:
    entry.open(SITE_NO, f"{type(row).__tablename__}_recorded", DAY)
    if isinstance(row, gate.Remark):
        photo = {"sha256": row.photo_sha256, "media_type": "image/jpeg", "size_bytes": len(PHOTO), "content": PHOTO}
        entry.session.execute(insert(gate.Attachment).values(photo | {"stored_at": entry.recorded_at}))
    entry.add(row)
    if isinstance(row, TextCommitment):
        entry.session.execute(insert(PrivateText).values(id=row.id, salt=b"salt", text="a reason"))
    if isinstance(row, lots.Lot):
        on_hand_g = DRAWN_G if row.origin is of_lots.LotOrigin.PROCESS else LOT_G - FED_G
        stock = {"lot_id": row.id, "on_hand_g": on_hand_g, "tolerance_g": 0}
        entry.session.execute(insert(lots.LotStock).values(stock))
    return entry.seq


def rows(ids: dict[str, int]) -> Iterator[SQLModel]:
    """One row per fact table, and a second weighing; whatever is referred to has its identity already."""
    text = ids["text"]
    yield TextCommitment(id=text, sha256=text_digest(b"salt", "a reason"))
    yield Actor(id=ids["actor"], kind=ActorKind.DEVICE, name_id=text)
    yield from master_data(ids)
    yield from gate_data(ids)
    yield lots.Lot(
        id=ids["lot"],
        code=code_for(ids["lot"]),
        kind=of_lots.LotKind.BALE,
        origin=of_lots.LotOrigin.DELIVERY,
        delivery_id=ids["delivery"],
        supplier_tag="TAG 17",
        born_at=DAY,
    )
    yield lots.LotFact(
        id=ids["lot"], material_id=ids["material"], owner_id=ids["partner"], place="Row 4", note="wet side"
    )
    yield gate.Remark(
        id=ids["remark"],
        delivery_id=ids["delivery"],
        lot_id=ids["lot"],
        kind=of_gate.RemarkKind.WET,
        note_id=ids["text"],
        photo_sha256=hashlib.sha256(PHOTO).hexdigest(),
    )
    yield lots.LotMass(id=ids["lot"], material_g=LOT_G, tie_g=TIE_G, basis=of_lots.MassBasis.ALLOCATED)
    yield lots.Measurement(
        id=ids["measurement"],
        subject_id=ids["lot"],
        quantity=of_lots.Quantity.MOISTURE,
        value="0.031",
        u_value="0.002",
        basis=of_lots.MeasurementBasis.MEASURED,
        setting_id=ids["setting"],
        instrument_id=ids["instrument"],
        method="oven, 105 degrees",
        taken_at=DAY,
        reported_at=EVENING,
    )
    yield from run_data(ids)


def master_data(ids: dict[str, int]) -> Iterator[SQLModel]:
    yield plant.Site(id=ids["site"], site_no=17, code="FULL", name="Every table", zone="Europe/Lisbon")
    yield plant.Material(
        id=ids["material"],
        code="FULL-BALES",
        name="Bales",
        form=of_plant.MaterialForm.BALES,
        polymer="PET",
        colour="clear",
        waste_class=of_plant.WasteClass.POST_CONSUMER,
        food_candidate=True,
    )
    yield plant.Instrument(
        id=ids["instrument"],
        code="FULL-BRIDGE",
        name="Bridge",
        kind=of_plant.InstrumentKind.WEIGHBRIDGE,
        accuracy_class=AccuracyClass.III,
        max_g=60_000_000,
        e_g=20_000,
        u_reading_g=9_000,
        u_span_ppm=300,
        calibrated_from=DAY,
        calibrated_to=EVENING,
    )
    yield plant.ContainerType(
        id=ids["container_type"],
        code="FULL-BOX",
        name="Box",
        tare_g=12_000,
        u_tare_g=100,
        valid_from=DAY,
        valid_to=EVENING,
    )
    yield plant.Setting(
        id=ids["setting"],
        key=of_plant.SettingKey.BALANCE_TOLERANCE,
        scope="full",
        value="0.02",
        valid_from=DAY,
        valid_to=EVENING,
        source="this test",
    )
    yield plant.Equipment(
        id=ids["equipment"],
        code="FULL-SILO",
        name="Silo",
        kind=of_plant.VesselKind.SILO,
        capacity_g=40_000_000,
        mixing=of_plant.Mixing.FIRST_IN_FIRST_OUT,
        proof_sha256=DIGEST,
        proof_from=DAY,
        proof_to=EVENING,
    )
    yield plant.EquipmentEvent(
        id=ids["equipment_event"],
        equipment_id=ids["equipment"],
        kind=of_plant.VesselEventKind.STOP,
        at=DAY,
        end_at=EVENING,
        note="no air in the plant",
    )
    # Tanks belong to one regime and a spread to another, so no row can hold every column.
    yield stated_residence(ids["first_residence"], ids["equipment"], DAY - timedelta(days=1), tanks=3)
    yield stated_residence(ids["residence"], ids["equipment"], DAY, spread_ppm=100_000)
    yield Partner(
        id=ids["partner"],
        code="FULL-SUPPLIER",
        name_id=ids["text"],
        is_supplier=True,
        is_carrier=False,
        is_customer=False,
        is_laboratory=False,
        is_mapped=True,
        country="PT",
    )
    yield Contract(
        id=ids["contract"],
        code="FULL-TERMS",
        partner_id=ids["partner"],
        material_id=ids["material"],
        moisture_allowance_ppm=20_000,
        payable_formula=PayableFormula.ADDITIVE,
        tie_g=TIE_G,
        valid_from=DAY,
        valid_to=EVENING,
    )


def stated_residence(
    identity: int, equipment_id: int, valid_from: datetime, *, tanks: int | None = None, spread_ppm: int | None = None
) -> plant.Residence:
    return plant.Residence(
        id=identity,
        equipment_id=equipment_id,
        regime=of_plant.Mixing.TANKS_IN_SERIES if tanks else of_plant.Mixing.PLUG_FLOW,
        tanks=tanks,
        spread_ppm=spread_ppm,
        hold_up_g=30_000_000,
        residence_min_s=64_800,
        residence_mean_s=72_000,
        residence_max_s=79_200,
        report_sha256=DIGEST,
        source="this test",
        valid_from=valid_from,
        valid_to=valid_from + timedelta(days=1) if tanks else EVENING,
    )


def gate_data(ids: dict[str, int]) -> Iterator[SQLModel]:
    """One truck with one bale: 20 000 kg gross, the rest of it tare and one wire."""
    yield gate.Delivery(
        id=ids["delivery"],
        ticket_no="T-1",
        supplier_id=ids["partner"],
        carrier_id=ids["partner"],
        owner_id=ids["partner"],
        material_id=ids["material"],
        contract_id=ids["contract"],
        form=of_gate.DeliveryForm.BALES,
        arrived_at=DAY,
        plate_id=ids["text"],
        driver_id=ids["text"],
        note_no="N-1",
        note_mass_g=LOT_G,
        note_count=1,
        counted=1,
        order_no="O-1",
        origin_country="PT",
        nonfood_status=of_gate.NonFoodStatus.STATED,
        nonfood_ppm=40_000,
        decision=of_gate.Decision.ACCEPTED,
    )
    gross_g = 20_000_000
    for name, kind, mass_g in (
        ("tare_weighing", of_gate.WeighingKind.TARE, gross_g - LOT_G - TIE_G),
        ("weighing", of_gate.WeighingKind.GROSS, gross_g),
    ):
        yield gate.Weighing(
            id=ids[name],
            delivery_id=ids["delivery"],
            kind=kind,
            mass_g=mass_g,
            instrument_id=ids["instrument"],
            origin=of_gate.WeighingOrigin.OWN,
            entry=of_gate.WeighingEntry.INDICATOR,
            weighed_at=DAY,
            ticket_series="bridge",
            ticket_no=name,
            frame=b"ST,GS,+  20000kg",
        )
    yield gate.WeighingChoice(
        id=ids["weighing_choice"],
        delivery_id=ids["delivery"],
        purpose=of_gate.Purpose.PHYSICAL,
        gross_id=ids["weighing"],
        tare_id=ids["tare_weighing"],
    )
    yield gate.Deduction(
        id=ids["deduction"],
        delivery_id=ids["delivery"],
        purpose=of_gate.Purpose.PHYSICAL,
        kind=of_gate.DeductionKind.TIE,
        pieces=1,
        per_piece_g=TIE_G,
    )


def run_data(ids: dict[str, int]) -> Iterator[SQLModel]:
    yield lots.Process(
        id=ids["process"],
        step=of_lots.Step.WASH,
        started_at=DAY,
        ended_at=EVENING,
        mixing=of_plant.Mixing.RUN_MIXED,
        is_closed=True,
        note="early shift",
    )
    yield lots.Line(
        id=ids["line"],
        process_id=ids["process"],
        lot_id=ids["lot"],
        direction=of_lots.Direction.IN,
        category=of_lots.Category.FEED,
        stream="bale",
        amount=of_lots.Amount.MASS,
        mass_g=FED_G,
        moisture_id=ids["measurement"],
        start_at=DAY,
        end_at=EVENING,
        instrument_id=ids["instrument"],
        gross_g=FED_G + 12_000,
    )
    yield lots.LineTare(line_id=ids["line"], line_version=1, container_type_id=ids["container_type"], pieces=1)
    yield RunBalance(
        id=ids["balance"],
        process_id=ids["process"],
        inputs_hash=DIGEST,
        dry_in_ug=FED_DRY_UG,
        dry_out_ug=0,
        estimated_out_ug=0,
        unexplained_ug=FED_DRY_UG,
        not_claimable_ug=0,
        tolerance_id=ids["setting"],
        tolerance_ppm=20_000,
        verdict=Verdict.LOSS_ABOVE_TOLERANCE,
        provisional=False,
        u95_ug=4_100_000,
        coverage_ppm=2_000_000,
        doubt_verdict=DoubtVerdict.LOSS_BEYOND,
    )
    yield lots.Hold(id=ids["hold"], subject_kind=of_lots.HoldSubject.LOT, subject_id=ids["lot"], cause_id=ids["text"])
    yield Paper(
        id=ids["paper"],
        kind=PaperKind.LOT_RECORD,
        lot_id=ids["lot"],
        issue_no=1,
        media_type="text/html",
        content=b"<p>as issued</p>",
        sha256=DIGEST,
        issued_at=DAY,
    )
    yield Recall(
        id=ids["recall"],
        is_mock=False,
        subject_kind=of_lots.HoldSubject.VESSEL,
        subject_id=ids["equipment"],
        from_at=DAY,
        to_at=EVENING,
        is_excursion=True,
        cause_id=ids["text"],
        hold_id=ids["hold"],
        closed_at=EVENING,
    )
    yield RecallFinding(
        id=ids["recall_finding"],
        recall_id=ids["recall"],
        lot_id=ids["lot"],
        mass_g=FED_G,
        how=FindingHow.SEEN,
        place="Row 4",
    )
    yield from count_data(ids)


def count_data(ids: dict[str, int]) -> Iterator[SQLModel]:
    """A count that another approved, and a level: a reading states one of its three columns."""
    yield StockCount(
        id=ids["stock_count"],
        place="Row 4",
        note_id=ids["text"],
        counter_id=ids["actor"],
        approver_id=1,
        approved_at=EVENING,
    )
    yield StockCountLine(
        id=ids["stock_count_line"],
        count_id=ids["stock_count"],
        lot_id=ids["lot"],
        is_found=True,
        mass_g=LOT_G - FED_G,
        pieces=1,
        booked_line_id=ids["line"],
    )
    yield LevelReading(
        id=ids["level_reading"],
        equipment_id=ids["equipment"],
        how=LevelHow.LEVEL,
        level_ppm=500_000,
        material_id=ids["material"],
        moisture_ppm=7_000,
    )


def made_from(ids: dict[str, int]) -> Iterator[SQLModel]:
    """A lot that the run made, charged to a silo, and a lot drawn from there: what projections of lineage rest on.

    Of what was made, of what was charged and of what was drawn the same mass is left.
    """
    yield plant.Equipment(
        id=ids["second_equipment"],
        code="SECOND-SILO",
        name="Second silo",
        kind=of_plant.VesselKind.SILO,
        capacity_g=40_000_000,
        mixing=of_plant.Mixing.WELL_MIXED,
    )
    yield lots.Process(
        id=ids["second_process"],
        step=of_lots.Step.VESSEL_PERIOD,
        equipment_id=ids["second_equipment"],
        started_at=DAY,
        mixing=of_plant.Mixing.WELL_MIXED,
    )
    for name in ("made", "drawn"):
        number = ids[f"{name}_lot"]
        yield lots.Lot(
            id=number, code=code_for(number), kind=of_lots.LotKind.FLAKE, origin=of_lots.LotOrigin.PROCESS, born_at=DAY
        )
        yield lots.LotFact(id=number, material_id=ids["material"])
    out, into = of_lots.Direction.OUT, of_lots.Direction.IN
    product, feed = of_lots.Category.PRODUCT, of_lots.Category.FEED
    for line, process, lot, direction, category, mass_g, hours in (
        ("made_line", "process", "made_lot", out, product, MADE_G, 2),
        ("charge_line", "second_process", "made_lot", into, feed, CHARGED_G, 4),
        ("draw_line", "second_process", "drawn_lot", out, product, DRAWN_G, 6),
    ):
        yield lots.Line(
            id=ids[line],
            process_id=ids[process],
            lot_id=ids[lot],
            direction=direction,
            category=category,
            stream="flake",
            amount=of_lots.Amount.MASS,
            mass_g=mass_g,
            moisture_id=ids["measurement"],
            start_at=DAY + timedelta(hours=hours),
        )
