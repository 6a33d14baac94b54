"""Proof of what is stored to stand in vessels: the book of each period, run once more from its beginning.

The newest standing of a period is what its next draw begins from. A standing that is missing is no fault: the book then
begins at an earlier one, or at the beginning, and says the same.
"""

import heapq
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from sqlalchemy import text
from sqlmodel import Session

from service.core.mixture import FINE
from service.journal.faults import Report
from service.lineage.composed import Composed
from service.lineage.independent_lines import LINES_OF_PROCESS, Event, NotPlain, event_of
from service.lineage.independent_walk import Walk
from service.lineage.kept import members_by_source
from service.lineage.standing import Standing, body_of, standing_of
from service.lineage.stored import Derived, unpacked
from service.lineage.verify_meaning import ALL_MAX, compare_shares, sample

SAMPLED = 50
STANDINGS = "SELECT at_us, number, body FROM vessel_standing WHERE period_id = :id ORDER BY at_us"


@dataclass
class Book:
    """A vessel period, run forward from one moment at which a line begins or ends to the next."""

    charged: int = 0
    drawn: int = 0
    running: dict[int, Event] = field(default_factory=dict)

    def pass_to(self, us: int, before_us: int, instants: Sequence[Event]) -> None:
        """What runs goes on up to a moment, then the charges of that moment come in, then its draws go out."""
        going_on = self.running.values()
        charged = sum(_passed(event, us) - _passed(event, before_us) for event in going_on if event.is_in)
        asked = sum(_passed(event, us) - _passed(event, before_us) for event in going_on if not event.is_in)
        self._book(charged, asked)
        self.running = {event.line_id: event for event in going_on if event.end_us > us}
        self._book(
            sum(event.dry_ug for event in instants if event.is_in),
            sum(event.dry_ug for event in instants if not event.is_in),
        )

    def _book(self, charged: int, asked: int) -> None:
        """A draw never takes more than there is."""
        self.charged += charged
        self.drawn = min(self.drawn + asked, self.charged)


def _passed(event: Event, us: int) -> int:
    """Micrograms of an interval by a moment; charges are rounded up and draws down."""
    part = event.dry_ug * (us - event.start_us)
    lasts = event.end_us - event.start_us
    return -(-part // lasts) if event.is_in else part // lasts


def check_standings(session: Session, report: Report) -> None:
    """Each standing can be read and says how its vessel stood."""
    sound: list[tuple[int, Standing]] = []
    for (period_id,) in session.execute(text("SELECT DISTINCT period_id FROM vessel_standing ORDER BY period_id")):
        events = [event_of(row) for row in session.execute(LINES_OF_PROCESS, {"id": period_id})]
        sound += _check_period(session, report, period_id, events)
    _check_contents(session, report, sound)


def _check_period(
    session: Session, report: Report, period_id: int, events: Sequence[Event]
) -> Iterator[tuple[int, Standing]]:
    book = _edges(events)
    edge_us, state = -1, Book()
    for at_us, number, body in session.execute(text(STANDINGS), {"id": period_id}).all():
        report.standings += 1
        key = f"period_id={period_id} at_us={at_us}"
        faults_before = len(report.faults)
        while edge_us < at_us and (step := next(book, None)) is not None:
            edge_us, state = step
        if edge_us != at_us:
            report.add("vessel_standing", key, at_us, "a moment at which a line begins or ends there", "at_us")
        try:
            standing, stated = standing_of(at_us, body), unpacked(body)[0]
            report.compare("vessel_standing", key, "number", number, stated)
            wrong = "another form" if body_of(standing, stated) != bytes(body) else ""
        except (ValueError, TypeError, IndexError) as damage:
            wrong = str(damage)
        if wrong:
            report.add("vessel_standing", key, wrong, "what was worked out and stored then", "body")
        elif edge_us == at_us:
            _compare(report, key, standing, state)
        if len(report.faults) == faults_before:
            yield period_id, standing


def _edges(events: Sequence[Event]) -> Iterator[tuple[int, Book]]:
    """Every moment at which a line begins or ends, with the book just after it."""
    waiting = sorted(events, key=lambda event: event.start_us, reverse=True)
    ends: list[int] = []
    book, before_us = Book(), 0
    while waiting or ends:
        us = min(waiting[-1].start_us if waiting else ends[0], ends[0] if ends else waiting[-1].start_us)
        begun = []
        while waiting and waiting[-1].start_us == us:
            begun.append(waiting.pop())
        book.pass_to(us, before_us, [event for event in begun if event.end_us == us])
        while ends and ends[0] == us:
            heapq.heappop(ends)
        yield us, book
        for event in begun:
            if event.end_us > us:
                book.running[event.line_id] = event
                heapq.heappush(ends, event.end_us)
        before_us = us


def _compare(report: Report, key: str, standing: Standing, book: Book) -> None:
    def compare(what: str, recorded: object, recomputed: object) -> None:
        if recorded != recomputed:
            report.add("vessel_standing", key, f"{what} {recorded}", f"{what} {recomputed}", "body")

    compare("charged", standing.charged_to, book.charged)
    compare("drawn", standing.out_to, book.drawn)
    compare("running lines", sorted(standing.running), sorted(book.running))
    unknown = standing.half_drawn.keys() - book.running.keys()
    compare("draws half done of lines that do not run", sorted(unknown), [])
    mixture = standing.content
    if mixture is not None and mixture.cut + sum(mixture.weights.values()) != FINE:
        compare("weights that sum to", mixture.cut + sum(mixture.weights.values()), FINE)


def _check_contents(session: Session, report: Report, sound: Sequence[tuple[int, Standing]]) -> None:
    """What stands in a vessel is made of what the walk says: of all standings if they are few, else of some."""
    chosen = sound if len(sound) <= ALL_MAX else sample(sound, SAMPLED)
    walk = Walk(session)
    for period_id, standing in chosen:
        content = standing.content
        if content is None:
            continue
        try:
            found = walk.content_of(period_id, standing.at_us)
        except NotPlain:
            continue
        report.contents_walked += 1
        named = {source for source in content.weights if source > 0}
        stored = Composed(0, Derived(content, {}), members_by_source(session, named))
        key = f"period_id={period_id} at_us={standing.at_us}"
        compare_shares(report, "vessel_standing", key, stored, found)
