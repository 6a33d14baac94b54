"""Which feeds of a line are in what one of its runs made: the window of time that its residence data give.

A run is a cut through a moving bed, so what comes out may have been booked into the run before or after it. With
a report the window alone decides what may be contained; without one the run's own feeds count as well, since times
that nobody measured never narrow anything. Expected shares follow the window either way. Where no residence data
are in force a run mixes all it was fed (`graph`).

One question decides both ways, up and down: may this feed be in that discharge (`_may_hold`)?
"""

from datetime import datetime
from typing import NamedTuple

from service.core.line_window import Stops, discharge_window, feed_window, touches, window_shares
from service.core.parents import Parents, parents_of_draw
from service.core.vessel_book import Charge
from service.lineage.flows import DryLine, FlowReader, ProcessRow, microseconds, moment_at
from service.lineage.regimes import Regimes
from service.lots.rows import LineRow
from service.plant.residence import holds_throughout
from service.plant.tables import Residence

US_PER_S = 1_000_000


class Window(NamedTuple):
    """When what came out had been fed, in microseconds, and whether a report lets that narrow what it may contain."""

    from_us: int
    to_us: int
    is_narrow: bool


class LineWindows:
    """Windows through lines for one question, as known at one state of knowledge."""

    def __init__(self, flows: FlowReader, regimes: Regimes) -> None:
        self._flows = flows
        self._regimes = regimes
        self._windows: dict[int, Window | None] = {}
        self._stops: dict[int, Stops] = {}

    def has_windows(self, process: ProcessRow) -> bool:
        """Whether residence data were ever stated for the line a run goes over."""
        return not process.is_vessel and bool(self._timed(process))

    def parents_of(self, process: ProcessRow, made: DryLine) -> Parents | None:
        """What a discharge was made from; None where no residence data are in force, so that its run decides."""
        window = self.window_of(process, made.line)
        if window is None:
            return None
        statement = self._statement(process, made.line.start_at)
        assert statement is not None, "a window comes of a statement"
        runs = self._runs_within(process, window)
        self._flows.weigh(runs)
        fed = [dry for run_id in runs for dry in self._flows.flow_of(run_id).feeds]
        line = made.line
        sources, _ = window_shares(
            [Charge(*span_of(dry.line), dry.dry_ug) for dry in fed],
            *span_of(line)[1:],
            *residence_us(statement),
            self.stops_of(process),
        )
        possible = frozenset(feed.id for feed in self.possible_feeds(process, line))
        return parents_of_draw(sources, possible, {dry.line.id: dry.line.lot_id or 0 for dry in fed})

    def possible_feeds(self, process: ProcessRow, made: LineRow) -> list[LineRow]:
        """Every feed that may be in a discharge."""
        window = self.window_of(process, made)
        runs = [process.id] if window is None else self._runs_within(process, window)
        self._flows.read_steps(runs)
        return [
            feed
            for run_id in runs
            for feed in self._flows.step_of(run_id).fed
            if self._may_hold(process, window, run_id, *span_of(feed)[1:])
        ]

    def discharges_holding(self, process: ProcessRow, start_us: int, end_us: int) -> list[LineRow]:
        """Every discharge of the line that may hold what is fed into a run between two moments."""
        runs = self._runs_after(process, start_us, end_us)
        self._flows.read_steps(runs)
        return [
            made
            for run_id in runs
            for made in self._flows.step_of(run_id).made
            if self._may_hold(
                self._flows.step_of(run_id).process,
                self.window_of(self._flows.step_of(run_id).process, made),
                process.id,
                start_us,
                end_us,
            )
        ]

    def window_of(self, process: ProcessRow, made: LineRow) -> Window | None:
        """The window of a discharge; None where no residence data are in force."""
        if made.id not in self._windows:
            self._windows[made.id] = self.window_at(process, made.start_at, made.end_at)
        return self._windows[made.id]

    def window_at(self, process: ProcessRow, start_at: datetime, end_at: datetime | None) -> Window | None:
        """The window of what comes out of a run between two moments, or at one."""
        statement = self._statement(process, start_at)
        if statement is None:
            return None
        out = microseconds(start_at), microseconds(end_at or start_at)
        is_narrow = statement.report_sha256 is not None and holds_throughout(statement, start_at, end_at)
        return Window(*feed_window(*out, *residence_us(statement), self.stops_of(process)), is_narrow)

    def feeds_within(self, process: ProcessRow, start_at: datetime, end_at: datetime | None) -> list[LineRow]:
        """Every feed that may be in what comes out of a run between two moments, booked or about to be."""
        window = self.window_at(process, start_at, end_at)
        runs = [process.id] if window is None else self._runs_within(process, window)
        self._flows.read_steps(runs)
        fed = [(run_id, feed) for run_id in runs for feed in self._flows.step_of(run_id).fed]
        return [feed for run_id, feed in fed if self._may_hold(process, window, run_id, *span_of(feed)[1:])]

    def stops_of(self, process: ProcessRow) -> Stops:
        """When the line of a run stood."""
        line_id = process.equipment_id or 0
        if line_id not in self._stops:
            stopped = self._regimes.stops_of(line_id)
            self._stops[line_id] = Stops.of(
                (microseconds(stop.at), microseconds(stop.end_at)) for stop in stopped if stop.end_at is not None
            )
        return self._stops[line_id]

    def _may_hold(self, made_by: ProcessRow, window: Window | None, fed_into: int, start_us: int, end_us: int) -> bool:
        """Whether a discharge of a run may hold a feed of the same or another run of the line."""
        if window is not None and touches(start_us, end_us, window.from_us, window.to_us):
            return True
        return fed_into == made_by.id and (window is None or not window.is_narrow)

    def _runs_within(self, process: ProcessRow, window: Window) -> list[int]:
        """Runs of the line that were fed within a window, the run itself always among them."""
        line_id = process.equipment_id or 0
        near = self._flows.runs_on(line_id, moment_at(window.from_us), moment_at(window.to_us))
        return sorted({process.id, *near})

    def _runs_after(self, process: ProcessRow, start_us: int, end_us: int) -> list[int]:
        """Runs of the line out of which a feed may come, by the widest residence ever stated for it."""
        found = {process.id}
        for statement in self._timed(process):
            out = discharge_window(start_us, end_us, *residence_us(statement), self.stops_of(process))
            assert out is not None, "a stop is recorded when it is over"
            assert out[1] is not None, "a stop is recorded when it is over"
            first = max(moment_at(out[0]), statement.valid_from)
            # What began to come out while the data were in force may end after them, so valid_to bounds nothing.
            if first <= moment_at(out[1]):
                found |= set(self._flows.runs_on(process.equipment_id or 0, first, moment_at(out[1])))
        return sorted(found)

    def _statement(self, process: ProcessRow, at: datetime) -> Residence | None:
        """The residence data in force for a run's line, if they say how long material stays."""
        if process.is_vessel:
            return None
        statement = self._regimes.statement_at(process, at)
        return statement if statement is not None and statement.residence_max_s is not None else None

    def _timed(self, process: ProcessRow) -> list[Residence]:
        if process.equipment_id is None:
            return []
        return [row for row in self._regimes.statements_of(process.equipment_id) if row.residence_max_s is not None]


def span_of(line: LineRow) -> tuple[int, int, int]:
    """Identity, start and end of a line in the terms of `core.vessel_book`; an instant ends when it starts."""
    return line.id, microseconds(line.start_at), microseconds(line.end_at or line.start_at)


def residence_us(statement: Residence) -> tuple[int, int]:
    """Least and greatest residence of a line, microseconds of running time."""
    return (statement.residence_min_s or 0) * US_PER_S, (statement.residence_max_s or 0) * US_PER_S
