"""An independent answer to "which bales, in what shares": a walk over the lines, newest first, merged per node.

Plain SQL and binary floats, none of the code that works compositions out: it is what `verify` and the benchmark compare
those with. A lot that came out of a run is a mixture of what the run was fed; a draw from a well-mixed vessel is a
mixture of what stood in it, a draw from a first-in-first-out one a slice of what went in, by cumulative dry mass.
Weight that reaches a lot or a state of a vessel by many ways is merged before it is passed on, because time never runs
backwards along an edge; what falls below the cut-off is kept apart.

Only where mixing is as plain as that; `NotPlain` says where it is not. What may be in a lot is asked over the
same lines in `independent_reach`.
"""

import heapq
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from sqlmodel import Session

from service.lineage.independent_lines import Event, LinesRead, NotPlain, Vessel

CUT_OFF = 1e-10
# Far more than the longest history needs: only lots made from themselves come here.
STEPS_MAX = 10**7


@dataclass
class Origins:
    """Shares by origin lot, what came from nothing on record, and what lies below the cut-off."""

    shares: dict[int, float]
    unattributed: float = 0.0
    cut: float = 0.0

    @property
    def remainder(self) -> float:
        return self.unattributed + self.cut


class Walk:
    """Answers about one database."""

    def __init__(self, session: Session) -> None:
        self.lines = LinesRead(session)
        self._weights: dict[tuple[str, int, int], float] = {}
        self._heap: list[tuple[int, tuple[str, int, int]]] = []
        self._found = Origins({})

    def origins_of(self, lot_id: int) -> Origins:
        """What a lot is made of.

        Raises
        ------
        NotPlain : what it went through mixes in another way.
        """
        self._begin()
        self._reach_lot(lot_id, 1.0)
        return self._finish()

    def content_of(self, period_id: int, at_us: int) -> Origins:
        """What stands in a well-mixed vessel just after an instant; raises as `origins_of`."""
        self._begin()
        vessel = self.lines.vessel(period_id)
        place = None if vessel is None else vessel.last_before(at_us)
        if vessel is None or not vessel.is_mixed or place is None:
            raise NotPlain(f"process {period_id} does not mix what it holds")
        self._put(vessel.events[place].start_us, ("vessel", period_id, place), 1.0)
        return self._finish()

    def _begin(self) -> None:
        self.lines.forget()
        self._weights, self._heap = {}, []
        self._found = Origins({})

    def _finish(self) -> Origins:
        steps = 0
        while self._heap:
            steps += 1
            if steps > STEPS_MAX:
                raise NotPlain("a lot is made from itself")
            _, node = heapq.heappop(self._heap)
            weight = self._weights.pop(node)
            if weight < CUT_OFF:
                self._found.cut += weight
            elif node[0] == "lot":
                self._open_lot(self.lines.makers_of(node[1]), weight)
            else:
                self._open_vessel(node[1], node[2], weight)
        return self._found

    def _reach_lot(self, lot_id: int, weight: float) -> None:
        makers = self.lines.makers_of(lot_id)
        if not makers:
            self._found.shares[lot_id] = self._found.shares.get(lot_id, 0.0) + weight
            return
        self._put(max(maker.start_us for maker in makers), ("lot", lot_id, 0), weight)

    def _put(self, moment_us: int, node: tuple[str, int, int], weight: float) -> None:
        if node not in self._weights:
            heapq.heappush(self._heap, (-moment_us, node))
        self._weights[node] = self._weights.get(node, 0.0) + weight

    def _open_lot(self, makers: Sequence[Event], weight: float) -> None:
        total = sum(maker.dry_ug for maker in makers)
        if not total:
            self._found.unattributed += weight
            return
        for maker in makers:
            if not maker.dry_ug:
                continue
            part = weight * maker.dry_ug / total
            vessel = self.lines.vessel(maker.process_id)
            if vessel is None:
                self._open_run(maker.process_id, part)
            elif vessel.is_mixed:
                self._put(maker.start_us, ("vessel", maker.process_id, vessel.place_of[maker.line_id]), part)
            else:
                self._slice(vessel, vessel.place_of[maker.line_id], part)

    def _open_run(self, run_id: int, weight: float) -> None:
        feeds = [event for event in self.lines.events_of(run_id) if event.is_in]
        fed = sum(feed.dry_ug for feed in feeds)
        if not fed:
            self._found.unattributed += weight
        for feed in feeds if fed else ():
            self._reach_lot(feed.lot_id, weight * feed.dry_ug / fed)

    def _open_vessel(self, period_id: int, place: int, weight: float) -> None:
        """Weight on the state just after an event: of a charge it takes its part, the rest stood there before.

        Where more was drawn than stood there, what was missing is part of that draw, and none is left for later ones.
        """
        vessel = self.lines.vessel(period_id)
        assert vessel is not None, "only vessels have states"
        event = vessel.events[place]
        before = vessel.content[place - 1] if place else 0
        if event.is_in:
            part = weight * event.dry_ug / vessel.content[place] if event.dry_ug else 0.0
            self._reach_lot(event.lot_id, part)
        else:
            part = weight * max(event.dry_ug - before, 0) / event.dry_ug if event.dry_ug else 0.0
            self._found.unattributed += part
        weight -= part
        if before:
            self._put(vessel.events[place - 1].start_us, ("vessel", period_id, place - 1), weight)
        else:
            self._found.unattributed += weight

    def _slice(self, vessel: Vessel, place: int, weight: float) -> None:
        out_from, out_to = vessel.through[place]
        drawn = vessel.events[place].dry_ug
        if not drawn:
            return
        for number in range(bisect_right(vessel.charged_to, out_from), len(vessel.charges)):
            charge = vessel.charges[number]
            in_from, in_to = vessel.through[charge]
            if in_from >= out_to or charge > place:
                break
            overlap = min(in_to, out_to) - max(in_from, out_from)
            self._reach_lot(vessel.events[charge].lot_id, weight * overlap / drawn)
        self._found.unattributed += weight * (drawn - (out_to - out_from)) / drawn
