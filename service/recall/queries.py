"""Recalls as they stand: the list as it was known when each began, and how much of it was found."""

from collections.abc import Iterable, Sequence
from datetime import timedelta

from sqlalchemy import select
from sqlmodel import Session, col

from service.access.tables import Actor
from service.core.codes import identity_of
from service.core.quantities import kg_text, parse_kg
from service.core.recall import Search, search
from service.journal.entry import Entry
from service.journal.read import Knowledge, current, current_by_id, get_current, known_at, text_of, texts_of, versions
from service.journal.tables import SITE_STEP, JournalEntry, site_of
from service.lots.queries import lots_by_id
from service.plant.tables import Equipment
from service.recall.answer import answer_of
from service.recall.schemas import FindingOut, MissingOut, RecallAnswerOut, RecallHeadOut, RecallOut, SearchOut
from service.recall.sources import Asked, Source, find_source, named
from service.recall.tables import Recall, RecallFinding

ERASED = "(name erased)"
HALF_A_SECOND = timedelta(seconds=0.5)


def get_recall(session: Session, recall_id: int) -> Recall:
    """A recall as it stands.

    Raises
    ------
    NotFound : there is none under this number.
    """
    return get_current(session, Recall, recall_id, "recall")


def list_recalls(session: Session, site_no: int | None = None) -> list[RecallHeadOut]:
    """All recalls, mock ones too, newest first.

    Parameters
    ----------
    site_no : only those of this site; a supplier's recall belongs to all of them.
    """
    query = current(Recall).order_by(col(Recall.effective_at).desc(), col(Recall.id).desc())
    rows = session.execute(query).scalars().all()
    found = [row for row in rows if site_no is None or site_of(row.id) in (0, site_no)]
    causes = texts_of(session, [row.cause_id for row in found])
    return [head_out(session, row, causes[row.cause_id]) for row in found]


def head_out(session: Session, recall: Recall, cause: str | None) -> RecallHeadOut:
    taken = None if recall.closed_at is None else whole_seconds(recall.closed_at - recall.effective_at)
    return RecallHeadOut(
        id=recall.id,
        is_mock=recall.is_mock,
        source=named(session, asked_of(recall)).words,
        cause=cause or "cause erased",
        started_at=recall.effective_at,
        closed_at=recall.closed_at,
        seconds_taken=taken,
    )


def whole_seconds(duration: timedelta) -> int:
    """A duration in seconds, half up.

    Examples
    --------
    >>> whole_seconds(timedelta(minutes=42, microseconds=-3))
    2520
    """
    return (duration + HALF_A_SECOND) // timedelta(seconds=1)


def asked_of(recall: Recall) -> Asked:
    return Asked(recall.subject_kind, recall.subject_id, recall.from_at, recall.to_at, recall.is_excursion)


def known_at_start(session: Session, first: Recall) -> Knowledge:
    """What was known just before a recall began: its own log up to its entry, the others up to its time."""
    log_no, leaf = divmod(first.seq, SITE_STEP)
    sizes = dict(known_at(session, first.recorded_at).sizes) | {log_no: leaf}
    return Knowledge(tuple(sorted(sizes.items())))


def started(session: Session, recall: Recall) -> Recall:
    """The first version: the recall as it began."""
    first: Recall = versions(session, Recall, recall.id)[0]
    return first


def list_at_start(session: Session, recall: Recall) -> tuple[Source, RecallAnswerOut]:
    """What the recall was about, and its list, as known when it began."""
    known = known_at_start(session, started(session, recall))
    source = find_source(session, asked_of(recall), known)
    return source, answer_of(session, source, known)


def recall_detail(session: Session, recall: Recall, writing: Entry | None = None) -> RecallOut:
    """A recall with its list and its search.

    Parameters
    ----------
    writing : the entry that is being written, whose author is not in the journal yet.
    """
    first = started(session, recall)
    _, listed = list_at_start(session, recall)
    findings = findings_of(session, recall.id)
    names = author_names(session, [first.seq, *(first_seq for first_seq, _ in findings)], writing)
    head = head_out(session, recall, text_of(session, recall.cause_id))
    return RecallOut(
        **head.model_dump(),
        started_by=names[first.seq],
        hold_id=recall.hold_id,
        closing_note=text_of(session, recall.reason_id) if recall.closed_at is not None else None,
        affected=listed,
        search=_search_out(session, listed, findings, names),
    )


def findings_of(session: Session, recall_id: int) -> list[tuple[int, RecallFinding]]:
    """What was found as it stands, each with the journal position of its first version, in that order."""
    query = current(RecallFinding).where(col(RecallFinding.recall_id) == recall_id)
    found = session.execute(query).scalars().all()
    firsts = select(col(RecallFinding.id), col(RecallFinding.seq)).where(
        col(RecallFinding.recall_id) == recall_id, col(RecallFinding.version) == 1
    )
    first_seq = {row.id: row.seq for row in session.execute(firsts)}
    return sorted(((first_seq[row.id], row) for row in found), key=lambda pair: pair[1].id)


def author_names(session: Session, seqs: Iterable[int], writing: Entry | None = None) -> dict[int, str]:
    """Who wrote each entry, by its journal position."""
    rows = session.execute(
        select(col(JournalEntry.seq), col(JournalEntry.actor_id)).where(col(JournalEntry.seq).in_(set(seqs)))
    )
    actor_of = {row.seq: row.actor_id for row in rows}
    if writing is not None:
        actor_of[writing.seq] = writing.actor_id
    actors = current_by_id(session, Actor, actor_of.values())
    names = texts_of(session, [actor.name_id for actor in actors.values()])
    return {
        seq: (names[actors[actor_id].name_id] or ERASED) if actor_id in actors else ERASED
        for seq, actor_id in actor_of.items()
    }


def wanted_g(listed: RecallAnswerOut) -> dict[int, int]:
    """What a search in the plant has to find: grams by the identity of each lot and of each vessel."""
    here = {identity_of(row.lot): parse_kg(row.on_hand_kg) + parse_kg(row.loading_kg) for row in listed.lots}
    of_lots = {lot_id: mass_g for lot_id, mass_g in here.items() if mass_g > 0}
    return of_lots | {row.vessel_id: mass_g for row in listed.vessels if (mass_g := parse_kg(row.content_kg)) > 0}


def _search_out(
    session: Session, listed: RecallAnswerOut, findings: Sequence[tuple[int, RecallFinding]], names: dict[int, str]
) -> SearchOut:
    wanted = wanted_g(listed)
    rows = [row for _, row in findings]
    result: Search = search(wanted, {thing_of(row): row.mass_g for row in rows})
    things = {*result.missing_g, *(thing_of(row) for row in rows)}
    lots = {lot_id: lot.code for lot_id, lot in lots_by_id(session, things).items()}
    reasons = texts_of(session, [row.reason_id for row in rows if row.reason_id is not None])
    vessels = {number: vessel.code for number, vessel in current_by_id(session, Equipment, things).items()}
    return SearchOut(
        wanted_kg=kg_text(result.wanted_g),
        found_kg=kg_text(result.found_g),
        percent_found=None if result.percent is None else str(result.percent),
        found=[
            FindingOut(
                id=row.id,
                lot=lots.get(thing_of(row)),
                vessel=vessels.get(thing_of(row)),
                is_wanted=thing_of(row) in wanted,
                mass_kg=kg_text(row.mass_g),
                how=row.how,
                place=row.place,
                found_at=row.effective_at,
                found_by=names[first_seq],
                correction=reasons.get(row.reason_id or 0),
            )
            for first_seq, row in findings
        ],
        missing=[
            MissingOut(
                lot=lots.get(thing),
                vessel=vessels.get(thing),
                vessel_id=thing if thing in vessels else None,
                missing_kg=kg_text(mass_g),
            )
            for thing, mass_g in result.missing_g.items()
        ],
    )


def thing_of(finding: RecallFinding) -> int:
    """The identity of the lot or vessel that was found."""
    return finding.lot_id or finding.equipment_id or 0
