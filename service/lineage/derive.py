"""What follows for lineage from a write: the composition and the reach of every lot that it changes, and of no other.

A change spreads through a queue: a run or a vessel period is worked out again when something it was fed with has
changed, and what it made is looked at only if that came out differently. So a correction of years ago ends where it
no longer changes a digit. Any order gives the same result; a good one looks at most things once.
"""

import heapq
from collections import Counter
from collections.abc import Callable, Iterable

from sqlalchemy import func, select
from sqlmodel import Session, col

from service.core.lineage import LineageInconsistent
from service.core.mixture import FINE
from service.journal.one_of import one_of
from service.journal.read import chunks
from service.lineage.derive_run import Kept, RunDeriver
from service.lineage.derive_vessel import Dirt, VesselDeriver
from service.lineage.flows import ProcessRow, microseconds, process_rows
from service.lineage.known_so_far import KnownSoFar
from service.lineage.rules import VesselRules
from service.lineage.stored import Derived
from service.lineage.touched import Touched
from service.lineage.windows import span_of
from service.lots.statuses import Direction
from service.lots.tables import Line

# Named down to this share of a lot, per FINE; what is less is in the remainder. May-contain knows no cut-off.
SHARE_CUT_OFF = FINE // 10**6
HELD_MAX = 4_000  # lots held in memory before they are stored
RUNS_AT_A_TIME = 64
# A vessel's turn comes once per event beside it; a run's a few times. More than this is a circle no gate has seen.
TIMES_MAX = 10**6

Watch = Callable[[int, int], None]


class Deriver:
    """Works out what follows from a write.

    Parameters
    ----------
    seq : journal position of the write.
    kept : fraction of what a run made that stays claimable, by run and whether it is a product.
    lots, vessels : other than the stored ones, for a question that is worked out and not stored.
    """

    def __init__(
        self,
        session: Session,
        seq: int,
        kept: Kept,
        lots: KnownSoFar | None = None,
        vessels: type[VesselDeriver] = VesselDeriver,
    ) -> None:
        self._session = session
        self._seq = seq
        self._lots = lots or KnownSoFar(session)
        self._vessels = vessels(session, self._lots, VesselRules(session), SHARE_CUT_OFF)
        self._runs = RunDeriver(session, self._lots, kept, SHARE_CUT_OFF)
        self._processes: dict[int, ProcessRow] = {}
        self._queue: list[tuple[int, int]] = []
        self._due: dict[int, int] = {}  # what waits, and when its turn is; other places in the queue are void
        self._dirt: dict[int, Dirt] = {}
        self._filled_up: set[int] = set()  # lots drawn from a vessel that a run put something into

    def follow(self, touched: Touched, watch: Watch | None = None) -> int:
        """Work through everything that changes, and store it; how many lots did."""
        self._push(touched)
        steps = changed = 0
        times: Counter[int] = Counter()
        while (process_id := self._next()) is not None:
            steps += 1
            times[process_id] += 1
            if times[process_id] > TIMES_MAX:
                raise LineageInconsistent(f"process {process_id} is made from itself; correct the line that closes it")
            if watch is not None:
                watch(steps, steps + len(self._due))
            if process_id in self._dirt:
                self._period(process_id)
            else:
                self._run(process_id)
            if self._lots.pieces > HELD_MAX:
                changed += self._store()
        return changed + self._store()

    def follow_lots(self, lot_ids: list[int]) -> None:
        """Work through everything that took some of these lots."""
        self._spread(lot_ids)
        self.follow(Touched())

    def _store(self) -> int:
        self._runs.forget()
        return self._lots.store(self._seq)

    # The queue ----------------------------------------------------------------------------------------

    def _push(self, touched: Touched) -> None:
        self._know(touched.runs | touched.periods.keys())
        for period_id, dirt in touched.periods.items():
            self._lots.look_at_charges(dirt.charges)
            if period_id in self._dirt:
                self._dirt[period_id].add(dirt.from_us)
                self._dirt[period_id].add(dirt.to_us)
            else:
                self._dirt[period_id] = dirt
            self._wait(period_id, dirt.from_us)
        fresh = self._with_neighbours(touched.runs) - self._due.keys()
        for run_id, fed_us in self._last_fed_us(fresh).items():
            self._wait(run_id, fed_us)
        self._made(touched.unmade)
        for process_id in touched.withdrawn:
            self._lots.set_members(process_id, {})

    def _with_neighbours(self, run_ids: set[int]) -> set[int]:
        """These runs, and those of the same lines that their feeds may have got into."""
        found = set(run_ids)
        windows = self._runs.graph.windows
        for run_id in run_ids:
            process = self._processes[run_id]
            if windows.has_windows(process):
                for feed in self._runs.graph.fed_into(run_id):
                    holding = windows.discharges_holding(process, *span_of(feed)[1:])
                    found |= {made.process_id for made in holding}
        self._know(found)
        return found

    def _know(self, process_ids: Iterable[int]) -> None:
        missing = {process_id for process_id in process_ids if process_id not in self._processes}
        if missing:
            self._processes |= process_rows(self._session, missing)

    def _last_fed_us(self, run_ids: Iterable[int]) -> dict[int, int]:
        """When each run was fed last: by then most of what it was made from has been made."""
        found: dict[int, int] = {}
        is_feed = (one_of(col(Line.process_id), "wanted"), col(Line.direction) == Direction.IN)
        query = (
            select(col(Line.process_id), func.max(col(Line.start_at))).where(*is_feed).group_by(col(Line.process_id))
        )
        for portion in chunks(run_ids):
            last_fed = dict(self._session.execute(query, {"wanted": portion}).all())
            found |= {run_id: microseconds(last_fed[run_id]) if run_id in last_fed else 0 for run_id in portion}
        return found

    def _wait(self, process_id: int, us: int) -> None:
        if us < self._due.get(process_id, us + 1):
            self._due[process_id] = us
            heapq.heappush(self._queue, (us, process_id))

    def _next(self) -> int | None:
        if self._next_due_us() is None:
            return None
        _, process_id = heapq.heappop(self._queue)
        del self._due[process_id]
        return process_id

    def _next_due_us(self) -> int | None:
        """When the turn of the next one is."""
        while self._queue and self._due.get(self._queue[0][1]) != self._queue[0][0]:
            heapq.heappop(self._queue)
        return self._queue[0][0] if self._queue else None

    # What is worked out -------------------------------------------------------------------------------

    def _period(self, period_id: int) -> None:
        dirt = self._dirt.pop(period_id)
        made, go_on_us = self._vessels.draws(self._processes[period_id], dirt, self._next_due_us())
        if go_on_us is not None:
            self._dirt[period_id] = dirt
            self._wait(period_id, go_on_us)
        changed = [lot for lot, drawn in made.items() if lot in self._filled_up or self._lots.is_news(lot, drawn)]
        self._runs.graph.preload(changed)
        self._spread([lot_id for lot_id in changed if self._lots.put(lot_id, self._with_runs(lot_id, made[lot_id]))])

    def _with_runs(self, lot_id: int, drawn: Derived) -> Derived | None:
        """What was drawn from a vessel, together with what runs put into the same lot."""
        is_filled_up = len(self._runs.graph.makers_of(lot_id)) > 1
        return self._runs.made_anew(lot_id, drawn) if is_filled_up else drawn

    def _run(self, run_id: int) -> None:
        if not self._runs.is_read(run_id):
            # Those whose turn is next are read along; what was read does not change while something is worked out.
            near = heapq.nsmallest(RUNS_AT_A_TIME, self._queue) if len(self._due) > 1 else []
            self._runs.read([run_id, *(other for _, other in near if other not in self._dirt)])
        made = self._runs.made_by(run_id)
        self._made({dry.line.lot_id or 0 for dry in self._runs.graph.flow_of(run_id).made.values()} - made.keys())
        self._spread([lot_id for lot_id, derived in made.items() if self._lots.put(lot_id, derived)])

    def _made(self, lot_ids: set[int]) -> None:
        """Look at lots themselves: at what a vessel gave into them there, at the rest here."""
        touched = Touched()
        changed: list[int] = []
        for lot_id in sorted(lot_ids):
            draw = self._runs.draw_of(lot_id)
            if draw is None:
                if self._lots.put(lot_id, self._runs.made_anew(lot_id)):
                    changed.append(lot_id)
                continue
            self._filled_up.add(lot_id)
            self._know([draw.process_id])
            for us in span_of(draw)[1:]:
                touched.add_period(draw.process_id, us)
        if touched:
            self._push(touched)
        self._spread(changed)

    def _spread(self, lot_ids: list[int]) -> None:
        """Look again at everything that took some of these lots."""
        if not lot_ids:
            return
        graph = self._runs.graph
        graph.preload(lot_ids)
        lines = [line for lot_id in lot_ids for line in graph.takers_of(lot_id)]
        if lines:
            self._know(line.process_id for line in lines)
            touched = Touched()
            touched.add(self._processes, lines)
            self._push(touched)
