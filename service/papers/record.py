"""Issuing a lot record: computed once, stored byte for byte, never computed again for the same issue."""

import hashlib
import json
from zoneinfo import ZoneInfo

import rfc8785
from sqlalchemy import func, select
from sqlmodel import col

from service.balances.queries import Claimable, balance_out, find_balance
from service.core.quantities import dry_kg_text, dry_ug, kg_text, share_text
from service.errors import Conflict
from service.journal.entry import Entry
from service.journal.read import current
from service.journal.tables import JournalHead, site_of
from service.labels.tag import NOTICE
from service.lineage.parties import Parties
from service.lineage.schemas import ShareOut
from service.lineage.trace import Trace, origin_word, percent_text, steps_behind, trace_lot
from service.lineage.trace_out import why_wide
from service.lots.moisture import find_moisture, moisture_for_lots, ppm_of
from service.lots.queries import get_lot, get_process, lots_by_id, materials_of
from service.lots.statuses import LotKind, Step
from service.lots.stock import accounts_of
from service.lots.tables import Lot
from service.papers.concerns import concerns_about
from service.papers.schemas import JournalPositionOut, LotRecord, OpenStepOut, PaperOut, RecycledOut
from service.papers.statuses import PaperKind
from service.papers.tables import Paper
from service.plant.tables import Site

FORMAT = "bale-to-pellet lot record 1"
NOT_DECIDED_HERE = (
    "This record states masses, origins and balances as recorded. It does not decide whether the lot may touch "
    "food, nor which recycled-content claim it may carry: the applicable law, the competent authority and the "
    "responsible quality person do."
)
RECORDED_KINDS = frozenset({LotKind.PELLETS, LotKind.CONTAINER, LotKind.FLAKE})


def issue_lot_record(entry: Entry, code: str) -> PaperOut:
    """Issue the next record of a lot.

    Raises
    ------
    Conflict : a record is about pellets, flake or a container; or the lot has no mass.
    """
    session = entry.session
    lot = get_lot(session, code)
    if lot.kind not in RECORDED_KINDS:
        raise Conflict(
            "no-record-for-kind",
            f"Lot {lot.code} is a {lot.kind}.",
            "Records are for pellets, flake and containers.",
        )
    entry.open(site_of(lot.id), "lot_record_issued")
    highest = session.execute(
        select(func.max(col(Paper.issue_no))).where(
            col(Paper.lot_id) == lot.id, col(Paper.kind) == PaperKind.LOT_RECORD
        )
    ).scalar_one()
    issue_no = (highest or 0) + 1
    record = compose_record(entry, lot, issue_no)
    content = rfc8785.dumps(json.loads(record.model_dump_json()))
    paper = entry.add(
        Paper(
            id=entry.new_id("paper"),
            kind=PaperKind.LOT_RECORD,
            lot_id=lot.id,
            issue_no=issue_no,
            media_type="application/json",
            content=content,
            sha256=hashlib.sha256(content).hexdigest(),
            issued_at=entry.recorded_at,
        )
    )
    return PaperOut(
        id=paper.id,
        lot=lot.code,
        issue=issue_no,
        issued_at=paper.issued_at,
        sha256=paper.sha256,
        record=record,
    )


def compose_record(entry: Entry, lot: Lot, issue_no: int) -> LotRecord:
    """Put together what the record says, from the facts as this entry sees them."""
    session = entry.session
    trace = trace_lot(session, lot, kept=Claimable(session))
    parties = Parties(session, trace)
    site = session.execute(current(Site).where(col(Site.site_no) == site_of(lot.id))).scalar_one()
    account = accounts_of(session, [lot.id])[lot.id]
    measured = find_moisture(session, lot.id)
    if measured is None:
        moisture_for_lots(entry, [lot], lot.born_at)
        measured = find_moisture(session, lot.id)
    assert measured is not None, "a lot with mass rests on some moisture, if only on the plant's default"
    mass_g = account.mass_g or 0
    balances = {step: find_balance(session, step) for step in steps_behind(trace)}
    steps = {step: get_process(session, step).step for step in balances}
    head = session.execute(select(JournalHead).where(col(JournalHead.log_no) == entry.site_no)).scalar_one()
    unattributed = lots_by_id(session, trace.composition.unattributed_at)
    return LotRecord(
        format=FORMAT,
        issue=issue_no,
        issued_at=entry.recorded_at,
        issuer=site.name,
        site=site.code,
        lot=lot.code,
        kind=lot.kind,
        product=materials_of(session, [lot.id])[lot.id].name,
        made_on=lot.born_at.astimezone(ZoneInfo(site.zone)).date().isoformat(),
        net_kg=kg_text(mass_g),
        dry_kg=dry_kg_text(dry_ug(mass_g, ppm_of(measured))),
        moisture_fraction=measured.value,
        food_contact=NOTICE,
        not_decided_here=NOT_DECIDED_HERE,
        recycled=_recycled(trace),
        suppliers=parties.by_supplier(),
        deliveries=parties.by_delivery(),
        shares=[
            ShareOut(bale=trace.lots[origin].code, kind=origin_word(trace.lots[origin]), share=share_text(share))
            for origin, share in trace.composition.shares
        ],
        remainder=share_text(trace.composition.remainder_e12),
        # Where they are too many to list they are not counted either: the vessels below stand for them.
        may_contain_lots=None if trace.is_ranged else len(trace.composition.may_contain),
        why_wide=why_wide(session, trace),
        against_food_use=concerns_about(session, trace, balances),
        balances=[balance_out(session, row) for row in balances.values() if row is not None],
        steps_without_balance=[
            OpenStepOut(run_id=run_id, step=steps[run_id])
            for run_id, row in balances.items()
            if row is None and steps[run_id] is not Step.VESSEL_PERIOD
        ],
        unattributed_lots=sorted(other.code for other in unattributed.values()),
        journal=JournalPositionOut(log_no=head.log_no, size=head.size, root=head.root),
    )


def _recycled(trace: Trace) -> RecycledOut:
    return RecycledOut(
        post_consumer_percent=percent_text(trace.post_consumer_fraction()),
        claimable_percent=percent_text(trace.post_consumer_fraction(is_claimable_only=True)),
        denominator="dry mass of the lot, all inputs included",
    )
