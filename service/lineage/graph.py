"""The lineage graph as the database records it, one step at a time.

`core.lineage` walks; this file answers its two questions, "what was this lot made from" and "what was made
from it", out of the flows that `FlowReader` reads, and remembers the answers. One `LotGraph` serves one question.

Runs mix all they are fed, unless residence data of their line give a window of time (`windows`). A draw from a
vessel has the share its regime gives it, and may contain everything charged since the vessel was last proven empty,
unless a regime that keeps the order of charges was proven for it on that day (`regimes`).
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from fractions import Fraction

from sqlmodel import Session

from service.core.lineage import Composition, trace_down, trace_up
from service.core.parents import ORIGIN, Parents, merge_parents, parents_of_draw, parents_of_run
from service.core.vessel_book import Charge, Draw, Entry, book_of
from service.core.vessel_ledger import had_begun, possible_charges_of_draw, sources_of_draw
from service.journal.read import Knowledge
from service.lineage.flows import DryLine, FlowReader, ProcessFlow, ProcessRow
from service.lineage.regimes import Regimes
from service.lineage.windows import LineWindows, span_of
from service.lots.queries import takes
from service.lots.rows import KnownLot, LineRow
from service.lots.statuses import Category
from service.plant.tables import Equipment


class LotGraph:
    """Reads the graph for one question, as known at one state of knowledge."""

    def __init__(self, session: Session, known: Knowledge | None = None) -> None:
        self.session = session
        self._flows = FlowReader(session, known)
        self.regimes = Regimes(session, known)
        self.windows = LineWindows(self._flows, self.regimes)
        self._parents: dict[int, Parents] = {}
        self._children: dict[int, tuple[int, ...]] = {}
        self._run_parents: dict[int, Parents] = {}
        self._narrowed: dict[int, frozenset[int]] = {}
        self._is_proven: dict[int, bool] = {}
        self._times: dict[int, tuple[list[Charge], list[Draw]]] = {}
        self._ledgers: dict[int, tuple[list[Charge], list[Draw]]] = {}
        self._books: dict[int, list[Entry]] = {}
        self._behind: dict[int, frozenset[int]] = {}
        self._ahead: set[int] = set()  # lots from which everything onward was read

    def lines_of(self, lot_id: int) -> list[LineRow]:
        return self._flows.lines_of(lot_id)

    def preload(self, lot_ids: Iterable[int]) -> None:
        """Read the lines of many lots at once."""
        self._flows.read_lots(lot_ids)

    def lots_of(self, lot_ids: Iterable[int]) -> dict[int, KnownLot]:
        """Lots with their material and mass."""
        return self._flows.lots_of(lot_ids)

    def row_of(self, process_id: int) -> ProcessRow:
        """What decides about a process, without its lines: a vessel's period may have those of years."""
        return self._flows.row_of(process_id)

    def process_of(self, process_id: int) -> ProcessRow:
        return self._flows.step_of(process_id).process

    def vessel_of(self, process: ProcessRow) -> Equipment | None:
        return self.regimes.vessel_of(process)

    def flow_of(self, process_id: int) -> ProcessFlow:
        """All lines of a process with their dry masses."""
        return self._flows.flow_of(process_id)

    def flows_on(self, line_id: int, start_at: datetime, end_at: datetime) -> list[ProcessFlow]:
        """The runs of a line that were going on at some moment of an interval, with the dry masses of their lines."""
        return [self.flow_of(run_id) for run_id in self._flows.runs_on(line_id, start_at, end_at)]

    def made_in(self, process_id: int) -> list[LineRow]:
        """Every line that made a lot in a process."""
        return self._flows.step_of(process_id).made

    def fed_into(self, process_id: int) -> list[LineRow]:
        """The material lines into a process."""
        return self._flows.step_of(process_id).fed

    def makers_of(self, lot_id: int) -> list[LineRow]:
        """The lines that brought a lot into being."""
        return self._flows.makers_of(lot_id)

    def takers_of(self, lot_id: int) -> list[LineRow]:
        """The lines through which a lot went into something else; back into its own run is nowhere else."""
        return [line for line in self.lines_of(lot_id) if takes(line) and line.category is not Category.INTERNAL_LOOP]

    def parents_of(self, lot_id: int) -> Parents:
        """What a lot was made from, one step back; an origin lot has none."""
        if lot_id not in self._parents:
            self._parents[lot_id] = self._find_parents(lot_id)
        return self._parents[lot_id]

    def _find_parents(self, lot_id: int) -> Parents:
        parts: list[tuple[Parents, int]] = []
        for line in self.makers_of(lot_id):
            flow = self.flow_of(line.process_id)
            made = flow.made[line.id]
            parts.append((self._parents_of_line(flow, made), made.dry_ug))
        if not parts:
            return ORIGIN
        # What one line with mass made needs no merging: its parents come out of it as they went in.
        return parts[0][0] if len(parts) == 1 and parts[0][1] > 0 else merge_parents(parts)

    def _parents_of_line(self, flow: ProcessFlow, made: DryLine) -> Parents:
        if flow.is_vessel:
            return self._parents_of_draw(flow, made)
        return self.windows.parents_of(flow.process, made) or self._mixed(flow)

    def _mixed(self, flow: ProcessFlow) -> Parents:
        """Parents of anything a run made."""
        if flow.process.id not in self._run_parents:
            feeds = [(dry.line.lot_id or 0, dry.dry_ug) for dry in flow.feeds]
            self._run_parents[flow.process.id] = parents_of_run(feeds)
        return self._run_parents[flow.process.id]

    def _parents_of_draw(self, flow: ProcessFlow, draw: DryLine) -> Parents:
        charges, draws = self.ledger_of(flow)
        if flow.process.id not in self._books:
            self._books[flow.process.id] = book_of(charges, draws)
        book, model = self._books[flow.process.id], self.regimes.model_at(flow.process, draw.line.start_at)
        sources = sources_of_draw(charges, draws, draw.line.id, model, book=book)
        if self._is_narrowed(flow.process, draw.line):
            possible = self._narrowed_charges(flow.process, draw.line)
        else:
            possible = possible_charges_of_draw(charges, draws, draw.line.id, model, False)
        lot_of_charge = {dry.line.id: dry.line.lot_id or 0 for dry in flow.feeds}
        return parents_of_draw(sources, possible, lot_of_charge)

    def _narrowed_charges(self, process: ProcessRow, draw: LineRow) -> frozenset[int]:
        """The charges that may be in a draw from a vessel that was proven to keep their order."""
        if draw.id not in self._narrowed:
            charges, draws = self.ledger_of(self.flow_of(process.id))
            model = self.regimes.model_at(process, draw.start_at)
            self._narrowed[draw.id] = possible_charges_of_draw(charges, draws, draw.id, model, True)
        return self._narrowed[draw.id]

    def is_narrowed(self, draw: LineRow) -> bool:
        """Whether a report lets the order of the charges narrow what may be in a draw."""
        return self._is_narrowed(self.process_of(draw.process_id), draw)

    def _is_narrowed(self, process: ProcessRow, draw: LineRow) -> bool:
        """Whether the regime in force for a draw keeps the order of charges, and a report says so."""
        if draw.id not in self._is_proven:
            keeps_order = self.regimes.model_at(process, draw.start_at).keeps_order
            self._is_proven[draw.id] = keeps_order and self.regimes.is_proven(process, draw.start_at, draw.end_at)
        return self._is_proven[draw.id]

    def possible_parents_of(self, lot_ids: Iterable[int]) -> set[int]:
        """`parents_of(lot_id).possible` of all these lots, found without weighing where no proof asks for it."""
        found: set[int] = set()
        makers: dict[int, list[LineRow]] = {}
        for line in (line for lot_id in lot_ids for line in self.makers_of(lot_id)):
            makers.setdefault(line.process_id, []).append(line)
        for process_id, lines in makers.items():
            process, fed, _ = self._flows.step_of(process_id)
            if process.is_vessel:
                found.update(lot_id or 0 for lot_id in self._possible_in_draws(process, lines))
                continue
            if self.windows.has_windows(process):
                fed = [feed for line in lines for feed in self.windows.possible_feeds(process, line)]
            found.update(feed.lot_id or 0 for feed in fed)
        return found

    def _possible_in_draws(self, process: ProcessRow, lines: Iterable[LineRow]) -> set[int | None]:
        """The lots of all charges that may be in any of these draws."""
        _, fed, _ = self._flows.step_of(process.id)
        found: set[int | None] = set()
        left = list(zip(self._times_of(process)[0], fed, strict=True))
        # The latest first: it may contain nearly all, so that little is left to be asked of the others.
        for line in sorted(lines, key=lambda line: line.end_at or line.start_at, reverse=True):
            if self._is_narrowed(process, line):
                possible = self._narrowed_charges(process, line)
                found |= {feed.lot_id for feed in fed if feed.id in possible}
                continue
            draw = Draw(*span_of(line), 0)
            found |= {feed.lot_id for charge, feed in left if had_begun(charge, draw)}
            left = [(charge, feed) for charge, feed in left if feed.lot_id not in found]
        return found

    def children_of(self, lot_id: int) -> tuple[int, ...]:
        """Every lot that may contain some of this one, one step on: complete, for holds and recalls."""
        if lot_id not in self._children:
            self._children[lot_id] = self._find_children(lot_id)
        return self._children[lot_id]

    def _find_children(self, lot_id: int) -> tuple[int, ...]:
        found: dict[int, None] = {}
        for line in self.takers_of(lot_id):
            process, _, made = self._flows.step_of(line.process_id)
            if not process.is_vessel:
                if self.windows.has_windows(process):
                    made = self.windows.discharges_holding(process, *span_of(line)[1:])
                found |= {other.lot_id or 0: None for other in made}
                continue
            charge = Charge(*span_of(line), 0)
            for draw, drawn in zip(self._times_of(process)[1], made, strict=True):
                child = drawn.lot_id or 0
                # Proof can only narrow, so a draw that had ended before needs no second look.
                if child in found or not had_begun(charge, draw):
                    continue
                if not self._is_narrowed(process, drawn) or line.id in self._narrowed_charges(process, drawn):
                    found[child] = None
        return tuple(found)

    def _times_of(self, process: ProcessRow) -> tuple[list[Charge], list[Draw]]:
        """A vessel's lines as in `ledger_of`, without masses: when mass moved is all that may-contain asks for."""
        if process.id not in self._times:
            _, fed, made = self._flows.step_of(process.id)
            self._times[process.id] = (
                [Charge(*span_of(line), 0) for line in fed],
                [Draw(*span_of(line), 0) for line in made],
            )
        return self._times[process.id]

    def ledger_of(self, flow: ProcessFlow) -> tuple[list[Charge], list[Draw]]:
        """A vessel's lines in the terms of `core.vessel_ledger`, in the order of the flow's lines."""
        if flow.process.id not in self._ledgers:
            charges, draws = self._times_of(flow.process)
            self._ledgers[flow.process.id] = (
                [
                    Charge(charge.key, charge.start, charge.end, dry.dry_ug)
                    for charge, dry in zip(charges, flow.feeds, strict=True)
                ],
                [
                    Draw(draw.key, draw.start, draw.end, dry.dry_ug)
                    for draw, dry in zip(draws, flow.discharges, strict=True)
                ],
            )
        return self._ledgers[flow.process.id]

    def read_runs(self, run_ids: Iterable[int]) -> None:
        """Read runs with their dry masses, and where what they made went, for those who look at many of them."""
        wanted = list(run_ids)
        self._flows.weigh(wanted)
        self._flows.read_lots({made.lot_id or 0 for run_id in wanted for made in self.made_in(run_id)})

    def read_behind(self, lot_ids: Iterable[int]) -> None:
        """Read what these lots may be made from, a step for all lots at a time, so that a walk up finds it there."""
        waiting = set(lot_ids)
        seen: set[int] = set()
        steps: set[int] = set()
        self._flows.read_behind(waiting)
        self.regimes.read(self._flows.equipment_read())
        while waiting:
            seen |= waiting
            self._flows.read_lots(waiting)
            made = self._flows.made_among(waiting)
            self._parents |= dict.fromkeys(waiting - made, ORIGIN)
            made_by = {line.process_id for lot_id in made for line in self.makers_of(lot_id)}
            self._flows.read_steps(made_by)
            steps |= made_by
            waiting = self.possible_parents_of(made) - seen
        self._flows.lots_of(seen)
        self._flows.weigh(steps)

    def read_ahead(self, lot_ids: Iterable[int]) -> None:
        """Read what may contain these lots, a step for all lots at a time, so that a walk down finds it there."""
        waiting = set(lot_ids) - self._ahead
        if waiting:
            self._flows.read_ahead(waiting)
            self.regimes.read(self._flows.equipment_read())
        while waiting:
            self._ahead |= waiting
            self._flows.read_lots(waiting)
            self._flows.read_steps({line.process_id for lot_id in waiting for line in self.takers_of(lot_id)})
            waiting = {child for lot_id in waiting for child in self.children_of(lot_id)} - self._ahead

    def trace(self, lot_id: int, *, cut_off: int = 0, passed: Callable[[int], Fraction] | None = None) -> Composition:
        """Composition of a lot by origin lot; see `core.lineage.trace_up`."""
        self.read_behind([lot_id])
        composition = trace_up(lot_id, self.parents_of, cut_off=cut_off, passed=passed)
        self._behind[lot_id] = frozenset(composition.visited)
        return composition

    def trace_down(self, lot_ids: Sequence[int]) -> tuple[tuple[int, int], ...]:
        """Every lot that may contain some of these with its expected share; see `core.lineage.trace_down`."""
        self.read_ahead(lot_ids)
        affected = self.descendants_of(lot_ids)
        self._flows.weigh({line.process_id for lot_id in affected for line in self.makers_of(lot_id)})
        return trace_down(lot_ids, self.children_of, self.parents_of)

    def descendants_of(self, lot_ids: Iterable[int]) -> set[int]:
        """Every lot that may contain some of these, they themselves included."""
        return set(self.reached_from(lot_ids))

    def reached_from(self, lot_ids: Iterable[int]) -> dict[int, int]:
        """Every lot that may contain some of these, each with one of them through which it does.

        That one is the latest of those from which a way leads there past none of the others.
        """
        reached = {lot_id: lot_id for lot_id in lot_ids}
        waiting = list(reached)
        self.read_ahead(waiting)
        while waiting:
            lot_id = waiting.pop()
            for child in self.children_of(lot_id):
                if child not in reached:
                    reached[child] = reached[lot_id]
                    waiting.append(child)
        return reached

    def is_traced(self, lot_id: int) -> bool:
        """Whether all that may be in a lot has been walked here, so that `source_in` costs next to nothing."""
        return lot_id in self._behind

    def source_in(self, lot_id: int, place_of: Mapping[int, int]) -> int | None:
        """What `reached_from` says of one lot, found by walking up from it; None if no source reaches it.

        Parameters
        ----------
        place_of : places of the sources in their order, by lot.
        """
        if lot_id in self._behind and self._behind[lot_id].isdisjoint(place_of):
            return None
        met: list[int] = []
        seen, waiting = {lot_id}, [lot_id]
        while waiting:
            step = waiting.pop()
            if step in place_of:
                met.append(step)
                continue
            onward = self.parents_of(step).possible - seen
            seen |= onward
            waiting += onward
        return max(met, key=place_of.__getitem__, default=None)
