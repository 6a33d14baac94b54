"""What a lot was made from: its composition, with the lots that are named."""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from sqlmodel import Session

from service.core.apportion import SCALE
from service.core.lineage import Composition, recycled_fraction
from service.core.mixture import fraction_of
from service.core.quantities import percent_cut_down
from service.journal.read import Knowledge, current_by_id
from service.lineage.composed import FINER, Composed, sources_before_vessels
from service.lineage.extent import Extent, extent_of
from service.lineage.graph import LotGraph
from service.lineage.kept import members_by_source
from service.lineage.ranges import VesselRange, nearest_periods, periods_behind, ranges_of
from service.lineage.stored import EVER, Derived, derived_lots
from service.lots.rows import LotRow, lot_rows
from service.lots.statuses import Direction, LotOrigin
from service.lots.tables import Lot
from service.plant.statuses import WasteClass
from service.plant.tables import Material

BEFORE_RECORDS = "before records began"
Withheld = Callable[[int], Fraction]


@dataclass(frozen=True)
class Wide:
    """What was worked out in advance of a lot with a long history.

    Parameters
    ----------
    composed : expected shares.
    near : origin lots that may be in the lot without having gone through a vessel, some with no share to speak of.
    ranges : everything charged into these vessels may be in the lot as well.
    is_listed : whether all of it is named all the same; otherwise the ranges stand for what is not.
    """

    composed: Composed
    near: frozenset[int]
    ranges: tuple[VesselRange, ...]
    is_listed: bool


@dataclass(frozen=True)
class Trace:
    """A lot's composition with the lots it names, ready to be shown or summed."""

    lot: Lot
    composition: Composition
    lots: dict[int, LotRow]
    post_consumer: frozenset[int]
    graph: LotGraph
    wide: Wide | None = None

    @property
    def is_ranged(self) -> bool:
        """Whether what the lot may contain is too much to list, so that vessels and times stand for it."""
        return self.wide is not None and not self.wide.is_listed

    @property
    def walked(self) -> LotGraph | None:
        """The graph on which all that may be in the lot was walked; None where it was worked out in advance."""
        return self.graph if self.wide is None else None

    def post_consumer_fraction(self, *, is_claimable_only: bool = False) -> Fraction:
        """Dry-mass fraction that counts as post-consumer; unknown origins count as nothing."""
        if self.wide is not None:
            mixture = self.wide.composed.mixture
            return fraction_of(mixture.recycled_claimable if is_claimable_only else mixture.recycled)
        return recycled_fraction(
            self.composition,
            lambda lot_id: int(lot_id in self.post_consumer),
            is_claimable_only=is_claimable_only,
        )


def trace_lot(
    session: Session,
    lot: Lot,
    known: Knowledge | None = None,
    *,
    kept: Withheld | None = None,
    cut_off: int = 0,
    through_all: bool = False,
) -> Trace:
    """Trace a lot back to its origins.

    Parameters
    ----------
    kept : fraction of a lot's mass that stays claimable when it is made; None withholds nothing.
    cut_off : per SCALE; touches the shares only.
    through_all : name the vessels behind the nearest ones, too, where what it may contain is too much to list.

    Returns
    -------
    walked line by line where the history behind the lot is short, or as it was known earlier; else as worked out in
    advance, and then what it may contain is given as ranges of vessels.
    """
    if known is None:
        derived = derived_lots(session, [lot.id]).get(lot.id)
        extent = None if derived is None else extent_of(session, derived.reach)
        if derived is not None and extent is not None and not extent.is_walked:
            return _wide_trace(session, lot, derived, extent, through_all)
    graph = LotGraph(session, known)
    composition = graph.trace(lot.id, cut_off=cut_off, passed=kept)
    lots = graph.lots_of({lot.id} | composition.may_contain)
    materials = current_by_id(session, Material, {one.material_id for one in lots.values() if one.material_id}, known)
    post_consumer = {material.id for material in materials.values() if material.waste_class is WasteClass.POST_CONSUMER}
    # What stood here before records began has no proof of origin, whatever its material says.
    counted = frozenset(
        lot_id
        for lot_id in composition.may_contain
        if lots[lot_id].material_id in post_consumer and lots[lot_id].lot.origin is LotOrigin.DELIVERY
    )
    return Trace(lot, composition, {lot_id: one.lot for lot_id, one in lots.items()}, counted, graph)


def _wide_trace(session: Session, lot: Lot, derived: Derived, extent: Extent, through_all: bool) -> Trace:
    """A trace out of what was worked out in advance.

    Where what it may contain is too much to list, named is what has a share and what came through no vessel.
    """
    mixture = derived.mixture
    near = sources_before_vessels(derived)
    composed = Composed(
        lot.id,
        derived,
        members_by_source(session, near.union(source for source in mixture.weights if source > 0)),
    )
    near_origins = frozenset(composed.origins_of(near))
    shares, remainder = composed.shares_e12
    named = frozenset(composed.weights)
    # Otherwise what was made between the lot and the nearest vessels is known one by one.
    numbers = derived.reach if extent.until is None else extent.until
    visited = lot_rows(session, {lot.id, *(number for number, code in numbers.items() if number > 0 and code == EVER)})
    composition = Composition(
        lot=lot.id,
        shares=shares,
        remainder_e12=remainder,
        raw=composed.raw,
        raw_unattributed=mixture.unattributed * FINER,
        raw_cut=SCALE - mixture.unattributed * FINER - sum(composed.weights.values()),
        claimable_raw=composed.claimable_raw,
        may_contain=named | (near_origins if extent.origins is None else extent.origins),
        unattributed_at=frozenset(-source for source in (*mixture.weights, *numbers) if source < 0),
        visited=tuple(visited),
    )
    lots = composed.rows | visited
    if missing := composition.may_contain - lots.keys():
        lots |= lot_rows(session, missing)
    periods = periods_behind(session, derived) if through_all else nearest_periods(derived)
    wide = Wide(composed, near_origins, tuple(ranges_of(session, periods)), extent.origins is not None)
    return Trace(lot, composition, lots, frozenset(), LotGraph(session), wide)


def steps_behind(trace: Trace) -> list[int]:
    """Every run and vessel period some of the lot may have gone through, by identity.

    Behind a vessel whose content is too much to list only vessels are named: its runs are those of the ranges.
    """
    trace.graph.preload(trace.composition.visited)
    made_by = {
        line.process_id
        for lot_id in trace.composition.visited
        for line in trace.graph.lines_of(lot_id)
        if line.direction is Direction.OUT
    }
    if trace.is_ranged and trace.wide is not None:
        made_by |= {one.period_id for one in trace.wide.ranges}
    return sorted(made_by)


def origin_word(lot: LotRow) -> str:
    return BEFORE_RECORDS if lot.origin is LotOrigin.OPENING else lot.kind.value


def remainder_words(trace: Trace) -> str:
    """What the remainder of a trace is: of a long history mostly what is too little to be named."""
    if trace.wide is None:
        return "not attributed to anything recorded"
    is_partly_unknown = trace.wide.composed.mixture.unattributed > 0
    return "in shares below the cut-off" + (", or not attributed to anything recorded" if is_partly_unknown else "")


def percent_text(fraction: Fraction) -> str:
    """A share as per cent with one decimal, cut down and never rounded up."""
    return str(percent_cut_down(fraction.numerator, fraction.denominator))
