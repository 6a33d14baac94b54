"""Working out what a run made: all it was fed with, mixed; or what the residence window of its line lets through."""

from collections.abc import Callable, Iterable
from fractions import Fraction

from sqlmodel import Session

from service.core.apportion import SCALE
from service.core.mixture import FINE, Mixture, from_nowhere, mix, of_source, withheld
from service.core.parents import Parents
from service.lineage.flows import DryLine, ProcessFlow
from service.lineage.graph import LotGraph
from service.lineage.known_so_far import KnownSoFar
from service.lineage.stored import EVER, Derived, add_reach
from service.lots.rows import LineRow
from service.lots.statuses import Category

# Fraction of what a run made that stays claimable, by run and whether it is a product.
Kept = Callable[[int, bool], Fraction]
Mixed = tuple[Mixture, dict[int, int]]


class RunDeriver:
    """Works out what runs made, for one entry.

    Parameters
    ----------
    lots : asked for the composition of what was fed, told the members of sources.
    cut_off : per FINE.
    """

    def __init__(self, session: Session, lots: KnownSoFar, kept: Kept, cut_off: int) -> None:
        self._session = session
        self._lots = lots
        self._kept = kept
        self._cut_off = cut_off
        self.graph = LotGraph(session)
        self._mixed_in: dict[int, tuple[Mixture | None, dict[int, int]]] = {}
        self._read: set[int] = set()

    def forget(self) -> None:
        """Let go of what was read."""
        self.graph = LotGraph(self._session)
        self._read.clear()

    def read(self, run_ids: Iterable[int]) -> None:
        """Read many runs at once."""
        wanted = [run_id for run_id in run_ids if run_id not in self._read]
        self._read.update(wanted)
        self.graph.read_runs(wanted)

    def is_read(self, run_id: int) -> bool:
        return run_id in self._read

    def made_by(self, run_id: int) -> dict[int, Derived | None]:
        """Every lot that a run made, or that something made beside it."""
        self._mixed_in.clear()
        flow = self.graph.flow_of(run_id)
        lots = {dry.line.lot_id or 0 for dry in flow.made.values()}
        self._lots.preload({dry.line.lot_id or 0 for dry in flow.feeds} | lots)
        self._mixed(flow)
        return {lot_id: self._made(lot_id, None) for lot_id in sorted(lots) if self.draw_of(lot_id) is None}

    def draw_of(self, lot_id: int) -> LineRow | None:
        """The line with which a lot was drawn from a vessel, whatever runs put into it later."""
        makers = self.graph.makers_of(lot_id)
        return next((line for line in makers if self.graph.process_of(line.process_id).is_vessel), None)

    def made_anew(self, lot_id: int, drawn: Derived | None = None) -> Derived | None:
        """What holds of a lot by the lines that made it.

        Parameters
        ----------
        drawn : what came out of a vessel, for a lot that was drawn from one.
        """
        self._mixed_in.clear()
        return self._made(lot_id, drawn)

    def _made(self, lot_id: int, drawn: Derived | None) -> Derived | None:
        """A lot by all lines that made it; None if none stands any more."""
        parts: list[tuple[Mixture, int]] = []
        reach: dict[int, int] = {}
        members: dict[int, int] = {}
        made_ug = 0
        for line in self.graph.makers_of(lot_id):
            flow = self.graph.flow_of(line.process_id)
            made_ug += flow.made[line.id].dry_ug
            if flow.is_vessel:
                assert drawn is not None, "what was drawn from a vessel is worked out there"
                parts.append((drawn.mixture, flow.made[line.id].dry_ug))
                add_reach(reach, drawn.reach)
                continue
            made = flow.made[line.id]
            mixture, reached = self._part(flow, made, lot_id, members)
            kept = self._kept(line.process_id, line.category is Category.PRODUCT)
            parts.append((withheld(mixture, kept), made.dry_ug))
            add_reach(reach, reached)
        if not parts:
            return None
        if members:
            # A part of 10**12 is fine enough.
            whole = SCALE * max(made_ug, 1)
            self._lots.set_members(lot_id, {origin: weight * 10**12 // whole for origin, weight in members.items()})
        mixture = mix(parts, self._cut_off) if any(mass for _, mass in parts) else from_nowhere(lot_id)
        return Derived.of(lot_id, mixture, reach)

    def _part(self, flow: ProcessFlow, made: DryLine, lot_id: int, members: dict[int, int]) -> Mixed:
        parents = self.graph.windows.parents_of(flow.process, made)
        if parents is not None:
            return self._through_window(parents, made.dry_ug, lot_id, members)
        mixture, reached = self._mixed(flow)
        return (from_nowhere(lot_id), reached) if mixture is None else (mixture, reached)

    def _mixed(self, flow: ProcessFlow) -> tuple[Mixture | None, dict[int, int]]:
        """All a run was fed with, and what that may contain; no mixture where no mass was fed."""
        run_id = flow.process.id
        if run_id in self._mixed_in:
            return self._mixed_in[run_id]
        reach: dict[int, int] = {}
        parts: list[tuple[Mixture, int]] = []
        members: dict[int, int] = {}
        counted_ug = 0
        feeds = [(dry.line.lot_id or 0, dry.dry_ug) for dry in flow.feeds]
        self._lots.preload(fed for fed, _ in feeds)
        self._lots.look_at_origins(fed for fed, _ in feeds if self._lots.derived(fed) is None)
        for fed, dry_ug in feeds:
            derived = self._lots.derived(fed)
            if derived is None:
                members[fed] = members.get(fed, 0) + dry_ug
                counted_ug += dry_ug if self._lots.is_post_consumer(fed) else 0
                reach[run_id] = EVER
                continue
            parts.append((derived.mixture, dry_ug))
            add_reach(reach, {fed: EVER, **derived.reach})
        self._lots.set_members(run_id, members)
        origin_ug = sum(members.values())
        if origin_ug:
            parts.append((of_source(run_id, counted_ug * FINE // origin_ug), origin_ug))
        mixture = mix(parts, self._cut_off) if any(mass for _, mass in parts) else None
        self._mixed_in[run_id] = mixture, reach
        return mixture, reach

    def _through_window(self, parents: Parents, dry_ug: int, lot_id: int, members: dict[int, int]) -> Mixed:
        """What a window let through; the origin lots in it are a source of their own, named after the lot."""
        weight_of = dict(parents.shares)
        self._lots.preload(parents.possible)
        origins = [lot for lot in parents.possible if self._lots.derived(lot) is None]
        self._lots.look_at_origins(origins)
        reach: dict[int, int] = {lot_id: EVER} if origins else {}
        parts: list[tuple[Mixture, int]] = [(from_nowhere(lot_id), parents.unattributed)]
        counted = 0
        for origin in origins:
            weight = weight_of.get(origin, 0)
            # Of several lines that made the lot each counts by its mass.
            members[origin] = members.get(origin, 0) + weight * dry_ug
            counted += weight if self._lots.is_post_consumer(origin) else 0
        origin_weight = sum(weight_of.get(origin, 0) for origin in origins)
        if origin_weight:
            parts.append((of_source(lot_id, counted * FINE // origin_weight), origin_weight))
        for lot in parents.possible:
            derived = self._lots.derived(lot)
            if derived is not None:
                parts.append((derived.mixture, weight_of.get(lot, 0)))
                add_reach(reach, {lot: EVER, **derived.reach})
        return mix(parts, self._cut_off), reach
