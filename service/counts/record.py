"""Verbs of a stock count: count, approve by another person, withdraw.

A lot's mass is never edited. What is missing leaves the lot on a line of a process that gives nothing out; what is
found beyond the book becomes a lot of its own that came out of nothing known, so it is unattributed, and may not be
used for food, as what a vessel gives beyond its book.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from service.core.quantities import kg_text, parse_fraction
from service.counts.queries import approved_later, count_out, counted_g, get_count, lines_of_count, open_book
from service.counts.schemas import CountApprovalIn, CountLineIn, CountLinesIn, CountOut, CountWithdrawalIn, StockCountIn
from service.counts.tables import StockCount, StockCountLine
from service.errors import Conflict, Findings, StaleKnowledge, Unacceptable
from service.journal.entry import Entry
from service.journal.read import current_by_id
from service.journal.tables import site_of
from service.lineage.holds import holds_reaching
from service.lots.lines import CLOCK_SKEW, Discharge, Moisture, Span, book_discharges
from service.lots.moisture import moisture_for_lots, moistures, record_moisture
from service.lots.queries import lines_of_lots, lines_of_process, lots_by_id, origin_masses
from service.lots.record import NewLot
from service.lots.statuses import Amount, Category, Direction, LotOrigin, MeasurementBasis, Step
from service.lots.stock import accounts_of, settle_stock
from service.lots.tables import Line, Lot, LotFact, Process
from service.plant.queries import get_by_code
from service.plant.statuses import Mixing
from service.plant.tables import Site
from service.runs.record import lot_in_request, refuse

INSTANT = timedelta(microseconds=1)


@dataclass(frozen=True)
class Difference:
    """A lot of which the count says something else than the book; grams, missing positive.

    Parameters
    ----------
    pointer : of the line in the count.
    """

    line: StockCountLine
    lot: Lot
    missing_g: int
    pointer: str


def record_count(entry: Entry, count: StockCountIn) -> CountOut:
    """Record what was counted; nothing is booked.

    Raises
    ------
    Unacceptable : a lot that is none of the site, is named twice, or did not exist then; all findings at once.
    """
    site = get_by_code(entry.session, Site, count.site)
    entry.open(site.site_no, "stock_counted", count.counted_at)
    findings = Findings()
    if count.counted_at > entry.now + CLOCK_SKEW:
        findings.add("/counted_at", f"{count.counted_at.isoformat()} lies in the future", "Give when it was counted.")
    lots = _lots_counted(findings, entry, count.lines, count.counted_at)
    refuse(findings, "count-refused", "The count cannot be as given; nothing was recorded.")
    row = entry.add(
        StockCount(
            id=entry.new_id("stock_count"),
            place=count.place,
            note_id=None if count.note is None else entry.text(count.note),
            counter_id=entry.actor_id,
        )
    )
    _store_lines(entry, row, count.lines, lots, {})
    return count_out(entry.session, row)


def add_to_count(entry: Entry, count_id: int, body: CountLinesIn) -> CountOut:
    """Count more lots, or the same ones again.

    Raises
    ------
    Conflict : the count is approved or withdrawn.
    Forbidden, Unacceptable : as for a new count; only who began a count goes on with it.
    """
    count = _open_count(entry, count_id, "stock_count_continued")
    if count.counter_id != entry.actor_id:
        raise Conflict(
            "another-counts",
            f"Count {count_id} was begun by somebody else.",
            "Begin a count of your own: who counted has to be known when it is approved.",
        )
    findings = Findings()
    lots = _lots_counted(findings, entry, body.lines, count.effective_at)
    refuse(findings, "count-refused", "The count cannot be as given; nothing was recorded.")
    _store_lines(
        entry, count, body.lines, lots, {line.lot_id: line for line in lines_of_count(entry.session, count_id)}
    )
    # What an approver has looked at is a version: more lines are another one.
    return count_out(entry.session, entry.revise(count, "counted on"))


def approve_count(entry: Entry, count_id: int, approval: CountApprovalIn) -> CountOut:
    """Book the differences of a count at its time.

    Raises
    ------
    Conflict : it is approved or withdrawn.
    StaleKnowledge : somebody counted on since the approver looked.
    Unacceptable : who counted approves; a lot has no book mass; it has since given what was not there; or more was
        found of a lot on hold.
    """
    count = _open_count(entry, count_id, "stock_count_approved")
    if approval.version != count.version:
        raise StaleKnowledge(
            "count-changed",
            f"Count {count_id} is at version {count.version}; what was looked at is version {approval.version}.",
            "Look at it again as it is now, then approve that version.",
        )
    if count.counter_id == entry.actor_id:
        raise Unacceptable(
            "counter-approves",
            f"Count {count_id} was counted by the person who now approves it.",
            "Another person looks at the differences and approves. Until then the count stands as counted, unbooked.",
        )
    findings = Findings()
    differences = _differences(findings, entry, count)
    refuse(findings, "approval-refused", "Not every difference can be booked; nothing was recorded.")
    missing = [one for one in differences if one.missing_g > 0]
    beyond = [one for one in differences if one.missing_g < 0]
    _refuse_held(entry, beyond)
    booked = _book_missing(entry, count, missing) | _book_beyond(entry, count, beyond)
    for one in differences:
        entry.revise(one.line, approval.reason, booked_line_id=booked[one.lot.id])
    _settle_missing(entry, count, missing)
    approved = entry.revise(count, approval.reason, approver_id=entry.actor_id, approved_at=entry.now)
    return count_out(entry.session, approved)


def withdraw_count(entry: Entry, count_id: int, body: CountWithdrawalIn) -> CountOut:
    """Withdraw a count with all that its approval booked.

    Raises
    ------
    Conflict : it was withdrawn before.
    Unacceptable : it is approved and who counted withdraws it; or something found beyond the book was used since, and
        the message names its lot.
    """
    count = _locked_count(entry, count_id, "stock_count_withdrawn")
    if count.approved_at is not None and count.counter_id == entry.actor_id:
        raise Unacceptable(
            "counter-withdraws",
            f"Count {count_id} is approved, and was counted by the person who now withdraws it.",
            "What two people booked is not undone by the one who counted: another person withdraws it.",
        )
    lines = lines_of_count(entry.session, count_id)
    named = current_by_id(entry.session, Line, [line.booked_line_id for line in lines if line.booked_line_id])
    touched: set[int] = set()
    for process_id in sorted({line.process_id for line in named.values()}):
        for booked in lines_of_process(entry.session, process_id):
            entry.void(booked, body.reason)
            touched.add(booked.lot_id or 0)
        [process] = current_by_id(entry.session, Process, [process_id]).values()
        entry.void(process, body.reason)
    settle_stock(entry, touched)
    for line in lines:
        entry.void(line, body.reason)
    return count_out(entry.session, entry.void(count, body.reason), lines)


def _locked_count(entry: Entry, count_id: int, event: str) -> StockCount:
    """A count as it stands under the log's lock: read before it, it might be approved meanwhile."""
    counted_at = get_count(entry.session, count_id).effective_at
    entry.open(site_of(count_id), event, counted_at)
    return get_count(entry.session, count_id)


def _open_count(entry: Entry, count_id: int, event: str) -> StockCount:
    count = _locked_count(entry, count_id, event)
    if count.approved_at is not None:
        raise Conflict("count-approved", f"Count {count_id} is approved.", "Withdraw it, then count anew.")
    return count


def _lots_counted(findings: Findings, entry: Entry, lines: Sequence[CountLineIn], at: datetime) -> list[Lot]:
    lots: list[Lot] = []
    for place, given in enumerate(lines):
        pointer = f"/lines/{place}/lot"
        lot = lot_in_request(findings, entry, given.lot, pointer)
        if lot is None:
            continue
        if any(other.id == lot.id for other in lots):
            findings.add(pointer, f"lot {lot.code} stands here twice", "Add up what was found of it.")
        if lot.born_at > at:
            findings.add(
                pointer,
                f"lot {lot.code} came to be at {lot.born_at.isoformat()}, after the count",
                "Give the time of the count as it was, or leave the lot out.",
            )
        lots.append(lot)
    return lots


def _store_lines(
    entry: Entry,
    count: StockCount,
    given: Sequence[CountLineIn],
    lots: Sequence[Lot],
    before: dict[int, StockCountLine],
) -> None:
    new = []
    for line, lot in zip(given, lots, strict=True):
        seen: dict[str, Any] = {"is_found": line.is_found, "mass_g": line.mass_kg, "pieces": line.pieces}
        if lot.id in before:
            entry.revise(before[lot.id], "counted again", **seen)
            continue
        identity = entry.new_id("stock_count_line")
        new.append(
            StockCountLine(id=identity, count_id=count.id, lot_id=lot.id, effective_at=count.effective_at, **seen)
        )
    entry.add_all(new)


def _differences(findings: Findings, entry: Entry, count: StockCount) -> list[Difference]:
    lines = lines_of_count(entry.session, count.id)
    lots = lots_by_id(entry.session, [line.lot_id for line in lines])
    books = open_book(entry.session, [count], lines)
    later = approved_later(entry.session, count, lots)
    found = []
    for place, line in enumerate(lines):
        lot, book_g = lots[line.lot_id], books[line.id]
        if line.lot_id in later and counted_g(line, None) is not None:
            findings.add(
                f"/lines/{place}",
                f"lot {lot.code} was counted later as well, and that count {later[line.lot_id]} is approved: what this "
                "one misses is booked there",
                f"Withdraw count {later[line.lot_id]} first, approve this one, then count anew.",
            )
            continue
        if book_g is None:
            findings.add(
                f"/lines/{place}",
                f"lot {lot.code} has no mass yet: its truck has no tare weighing",
                "Weigh the truck's tare or the bale first, then approve.",
            )
            continue
        seen_g = counted_g(line, book_g) or 0
        if book_g < 0 and not line.is_found:
            findings.add(f"/lines/{place}", f"the book of lot {lot.code} is {kg_text(book_g)} kg", "Mend its lines.")
        elif seen_g != book_g:
            found.append(Difference(line, lot, book_g - seen_g, f"/lines/{place}"))
    return found


def _settle_missing(entry: Entry, count: StockCount, missing: Sequence[Difference]) -> None:
    """Bring stocks up to date; where a lot has since given what was missing, say what can be done of a count."""
    pointers = {one.lot.id: one.pointer for one in missing}
    try:
        settle_stock(entry, pointers, pointers)
    except Unacceptable as fault:
        remedies = {one.pointer: _remedy(entry, count, one.lot) for one in missing}
        findings = tuple(replace(one, remedy=remedies[one.pointer]) for one in fault.findings)
        remedy = "Count the lots named here anew, or correct what was taken of them since; then approve."
        raise Unacceptable(fault.code, fault.detail, remedy, findings) from fault


def _remedy(entry: Entry, count: StockCount, lot: Lot) -> str:
    [account] = accounts_of(entry.session, [lot.id]).values()
    since = [line.id for line, _ in account.taken if (line.end_at or line.start_at) > count.effective_at]
    named = ", ".join(str(line_id) for line_id in since)
    return f"Count lot {lot.code} anew" + (f", or correct what took from it since: line {named}." if named else ".")


def _process(entry: Entry, count: StockCount) -> Process:
    return entry.add(
        Process(
            id=entry.new_id("process"),
            step=Step.COUNT_CORRECTION,
            started_at=count.effective_at,
            ended_at=count.effective_at + INSTANT,
            mixing=Mixing.RUN_MIXED,
            is_closed=True,
        )
    )


def _book_missing(entry: Entry, count: StockCount, missing: Sequence[Difference]) -> dict[int, int]:
    """Lines that take from lots what was not there, by lot."""
    if not missing:
        return {}
    process = _process(entry, count)
    lots = [one.lot for one in missing]
    moisture = moisture_for_lots(entry, lots, count.effective_at)
    ties = _ties_gone(entry, [one.lot for one in missing if not one.line.is_found])
    rows = []
    for one, identity in zip(missing, entry.new_ids("line", len(missing)), strict=True):
        rows.append(_gone(process, one.lot, identity, Category.FEED, one.missing_g, moisture[one.lot.id]))
    if ties:
        at = process.started_at
        basis = MeasurementBasis.MEASURED
        dry_id = record_moisture(entry, process.id, fraction_ppm=0, basis=basis, taken_at=at).id
        for (lot, tie_g), identity in zip(ties, entry.new_ids("line", len(ties)), strict=True):
            rows.append(_gone(process, lot, identity, Category.TIES, tie_g, dry_id))
    entry.add_all(rows)
    return {row.lot_id or 0: row.id for row in rows if row.category is Category.FEED}


def _gone(process: Process, lot: Lot, identity: int, category: Category, mass_g: int, moisture_id: int) -> Line:
    return Line(
        id=identity,
        process_id=process.id,
        lot_id=lot.id,
        direction=Direction.IN,
        category=category,
        stream="ties" if category is Category.TIES else "missing in a count",
        amount=Amount.MASS,
        mass_g=mass_g,
        moisture_id=moisture_id,
        start_at=process.started_at,
        effective_at=process.started_at,
    )


def _ties_gone(entry: Entry, lots: Sequence[Lot]) -> list[tuple[Lot, int]]:
    """Wire and strap of bales that are gone whole and were never opened."""
    masses = origin_masses(entry.session, [lot.id for lot in lots])
    lines = lines_of_lots(entry.session, [lot.id for lot in lots])
    return [
        (lot, masses[lot.id].tie_g)
        for lot in lots
        if lot.id in masses
        and masses[lot.id].tie_g
        and not any(line.category is Category.TIES for line in lines.get(lot.id, ()))
    ]


def _refuse_held(entry: Entry, beyond: Sequence[Difference]) -> None:
    """What is found beyond a held lot may be of it, and as a lot of its own no hold would reach it."""
    held = holds_reaching(entry.session, [one.lot.id for one in beyond])
    if held:
        codes = ", ".join(one.lot.code for one in beyond if one.lot.id in held)
        raise Unacceptable(
            "more-of-a-held-lot",
            f"More was found of {codes} than the book says, on hold: what is beyond would be free of the hold.",
            "Have the responsible quality person decide on the lot first; then approve, or count without it.",
        )


def _book_beyond(entry: Entry, count: StockCount, beyond: Sequence[Difference]) -> dict[int, int]:
    """Lots of what was found beyond the book, out of a process that was fed with nothing; line by counted lot."""
    if not beyond:
        return {}
    process = _process(entry, count)
    lots = [one.lot for one in beyond]
    facts = current_by_id(entry.session, LotFact, [lot.id for lot in lots])
    rests_on = moisture_for_lots(entry, lots, count.effective_at)
    values = moistures(entry.session, rests_on.values())
    discharges = [
        Discharge(
            new=NewLot(
                kind=one.lot.kind,
                origin=LotOrigin.PROCESS,
                material_id=facts[one.lot.id].material_id,
                born_at=count.effective_at,
                owner_id=facts[one.lot.id].owner_id,
                note=f"found in a stock count beyond the book of lot {one.lot.code}",
            ),
            into=None,
            mass_g=-one.missing_g,
            span=Span(count.effective_at),
            category=Category.PRODUCT,
            stream="found in a count",
            pointer="",
            moisture=Moisture(parse_fraction(values[rests_on[one.lot.id]].value), MeasurementBasis.PROVISIONAL),
        )
        for one in beyond
    ]
    made = book_discharges(entry, process, discharges)
    by_lot = {line.lot_id: line.id for line in lines_of_process(entry.session, process.id)}
    return {one.lot.id: by_lot[lot.id] for one, lot in zip(beyond, made, strict=True)}
