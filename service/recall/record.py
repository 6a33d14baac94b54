"""Verbs of recalls: start one, record what was found, correct that, and end the search."""

from service.core.quantities import kg_text
from service.errors import Conflict, Findings, NotFound, Unacceptable
from service.journal.entry import Entry
from service.journal.read import find_current, kind_of
from service.journal.tables import site_of
from service.lineage.record import add_hold
from service.lots.queries import get_lot, on_hand_g
from service.recall.queries import findings_of, get_recall, list_at_start, recall_detail, thing_of, wanted_g
from service.recall.schemas import FindingCorrectionIn, FoundIn, FoundLotIn, RecallCloseIn, RecallIn, RecallOut
from service.recall.sources import asked_in, find_source
from service.recall.tables import Recall, RecallFinding
from service.vessels.queries import get_vessel


def start_recall(entry: Entry, body: RecallIn) -> RecallOut:
    """Start a recall: the clock runs, and unless it is a mock one everything affected is on hold from now on.

    One hold lies on the source. Whatever may contain some of it inherits the hold, also what is made later, so
    the list and the hold cannot differ.
    """
    asked = asked_in(entry.session, body)
    entry.open(site_of(asked.id), "mock_recall_started" if body.is_mock else "recall_started")
    cause_id = entry.text(body.cause)
    hold_id: int | None = None
    if not body.is_mock:
        hold_id = entry.new_id("hold")
        add_hold(entry, hold_id, find_source(entry.session, asked).subject, cause_id)
    recall = entry.add(
        Recall(
            id=entry.new_id("recall"),
            is_mock=body.is_mock,
            subject_kind=asked.kind,
            subject_id=asked.id,
            from_at=asked.from_at,
            to_at=asked.to_at,
            is_excursion=asked.is_excursion,
            cause_id=cause_id,
            hold_id=hold_id,
            effective_at=entry.recorded_at,
        )
    )
    return recall_detail(entry.session, recall, entry)


def record_found(entry: Entry, recall_id: int, body: FoundIn) -> RecallOut:
    """Record lots and vessels that were found; all of them or none.

    Raises
    ------
    Conflict : the search has ended.
    Unacceptable : something was found before, or nothing of it should be left and no mass was given.
    """
    recall = _open_recall(entry, recall_id, "recall_lots_found")
    _, listed = list_at_start(entry.session, recall)
    wanted = wanted_g(listed)
    found_before = {thing_of(row): row for _, row in findings_of(entry.session, recall_id)}
    findings = Findings()
    things: dict[int, tuple[FoundLotIn, int]] = {}
    for place, given in enumerate(body.found):
        pointer = f"/found/{place}"
        thing = _thing_in_request(findings, entry, given, pointer)
        if thing is None:
            continue
        name = f"lot {given.lot}" if given.lot is not None else f"vessel {given.vessel_id}"
        field = f"{pointer}/{'lot' if given.lot is not None else 'vessel_id'}"
        mass_g = given.mass_kg or wanted.get(thing, 0) or on_hand_g(entry.session, thing)
        if thing in things:
            findings.add(field, f"{name} stands twice in this request", "Name each thing once.")
        elif thing in found_before:
            earlier = found_before[thing]
            findings.add(
                field,
                f"{name} was found before: {kg_text(earlier.mass_g)} kg at {earlier.place or 'a place not named'}",
                f"Leave it out, or correct finding {earlier.id}.",
            )
        elif mass_g <= 0:
            findings.add(
                f"{pointer}/mass_kg", f"by the book nothing of {name} is left", "Say how much of it you see: mass_kg."
            )
        things[thing] = (given, mass_g)
    findings.refuse_if_any(
        Unacceptable, code="found-refused", detail="What was found cannot be as given; nothing was recorded."
    )
    numbers = entry.new_ids("recall_finding", len(things))
    entry.add_all(
        [
            RecallFinding(
                id=number,
                recall_id=recall_id,
                lot_id=thing if given.lot is not None else None,
                equipment_id=thing if given.lot is None else None,
                mass_g=mass_g,
                how=given.how,
                place=given.place,
                effective_at=entry.recorded_at,
            )
            for number, (thing, (given, mass_g)) in zip(numbers, things.items(), strict=True)
        ]
    )
    return recall_detail(entry.session, recall, entry)


def correct_finding(entry: Entry, recall_id: int, finding_id: int, body: FindingCorrectionIn) -> RecallOut:
    """Correct or withdraw what was found; the earlier version stays on record."""
    recall = _open_recall(entry, recall_id, "recall_finding_withdrawn" if body.withdraw else "recall_finding_corrected")
    finding = find_current(entry.session, RecallFinding, finding_id)
    if finding is None or finding.recall_id != recall_id:
        raise NotFound(
            "finding-not-found", f"Recall {recall_id} has no finding {finding_id}.", "Take the number from the recall."
        )
    if body.withdraw:
        entry.void(finding, body.reason)
    else:
        entry.revise(finding, body.reason, mass_g=body.mass_kg or finding.mass_g, place=body.place or finding.place)
    return recall_detail(entry.session, recall, entry)


def close_recall(entry: Entry, recall_id: int, body: RecallCloseIn) -> RecallOut:
    """End the search and stop its clock. It lifts no hold."""
    recall = _open_recall(entry, recall_id, "recall_closed")
    closed: Recall = entry.revise(recall, body.note, closed_at=entry.recorded_at)
    return recall_detail(entry.session, closed, entry)


def _open_recall(entry: Entry, recall_id: int, event: str) -> Recall:
    """Take the log's lock and a recall whose search goes on."""
    if kind_of(entry.session, recall_id) != "recall":
        raise NotFound("recall-not-found", f"There is no recall {recall_id}.", "List the recalls first.")
    entry.open(site_of(recall_id), event)
    recall = get_recall(entry.session, recall_id)
    if recall.closed_at is not None:
        raise Conflict(
            "recall-closed",
            f"The search of recall {recall_id} ended at {recall.closed_at.isoformat()}.",
            "Start another one if there is more to be found.",
        )
    return recall


def _thing_in_request(findings: Findings, entry: Entry, given: FoundLotIn, pointer: str) -> int | None:
    """The identity of what was found, or a finding."""
    try:
        if given.lot is not None:
            return get_lot(entry.session, given.lot).id
        return get_vessel(entry.session, given.vessel_id or 0).id
    except NotFound as fault:
        findings.add(f"{pointer}/{'vessel_id' if given.lot is None else 'lot'}", fault.detail, fault.remedy)
        return None
