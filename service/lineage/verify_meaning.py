"""Proof of what compositions say: shares and may-contain sets against independent walks over the lines.

All lots are compared where there are few, else lots drawn across the history. Where mixing is not plain enough for the
walks of their own (`independent_walk`), the exact walk is asked that answers for the past; it shares nothing with what
works compositions out but the book of a vessel and the window through a line.
"""

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TypeVar

from sqlalchemy import bindparam, text
from sqlmodel import Session

from service.core.apportion import SCALE
from service.core.lineage import Composition
from service.core.mixture import FINE
from service.journal.faults import Report
from service.journal.read import chunks
from service.journal.standing import current
from service.lineage.closure import behind
from service.lineage.composed import FINER, Composed, composed_lots, origins_behind
from service.lineage.graph import LotGraph
from service.lineage.independent_lines import NotPlain
from service.lineage.independent_reach import may_be_in
from service.lineage.independent_walk import Origins, Walk
from service.lineage.stored import derived_lots

Thing = TypeVar("Thing")
ALL_MAX, SHARES_SAMPLED, REACHES_SAMPLED = 500, 200, 50
SEED = 20260302
LOTS_AT_A_TIME = 50
# Beyond so many sources, lots and vessels behind a lot the exact walk is not asked, nor all that it may contain.
NEAR_MAX = 2_000
# What floats may make of shares; compositions are stored with 18 places.
FLOATS = 1e-9
ELSEWHERE = 0  # stands for what came from nothing on record

POST_CONSUMER = text(
    "SELECT lot.id FROM lot "
    f"JOIN lot_fact ON lot_fact.id = lot.id AND {current('lot_fact')} "
    f"JOIN material ON material.id = lot_fact.material_id AND {current('material')} "
    "WHERE lot.origin = 'delivery' AND material.waste_class = 'post_consumer' AND lot.id IN :wanted"
).bindparams(bindparam("wanted", expanding=True))


def sample(things: Sequence[Thing], pieces: int) -> list[Thing]:
    """One of each stretch, so that all times and sites are drawn from; the same ones each time."""
    chance = random.Random(SEED)
    bounds = [len(things) * piece // pieces for piece in range(pieces + 1)]
    return [things[chance.randrange(start, end)] for start, end in pairwise(bounds) if start < end]


def check_meaning(session: Session, report: Report, lots: Sequence[int]) -> None:
    """Compare lots whose stored composition is sound, as said above.

    Parameters
    ----------
    lots : by number, so that they are in the order of registration at each site.
    """
    compared = _Compared(session, report)
    is_small = len(lots) <= ALL_MAX
    for portion in _portions(lots if is_small else sample(lots, SHARES_SAMPLED)):
        compared.begin(portion)
        for lot_id in portion:
            compared.shares(lot_id)
            if is_small:
                compared.reach(lot_id)
    # Of lots drawn at random most may contain all of a silo's history; so more are drawn than compared.
    for portion in () if is_small else _portions(sample(lots, 4 * REACHES_SAMPLED)):
        compared.begin(portion)
        for lot_id in portion:
            if report.reaches_walked < REACHES_SAMPLED:
                compared.reach(lot_id)


def _portions(lots: Sequence[int]) -> list[Sequence[int]]:
    return [lots[start : start + LOTS_AT_A_TIME] for start in range(0, len(lots), LOTS_AT_A_TIME)]


@dataclass
class _Compared:
    """Lots compared one after another; what was read for one serves the next."""

    session: Session
    report: Report
    walk: Walk = field(init=False)
    graph: LotGraph = field(init=False)
    stored: dict[int, Composed] = field(default_factory=dict)
    exact: dict[int, Composition] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.walk = Walk(self.session)

    def begin(self, lots: Sequence[int]) -> None:
        """Read what is stored of some lots, and let go of what was read for others."""
        self.stored = composed_lots(self.session, derived_lots(self.session, lots))
        self.graph = LotGraph(self.session)
        self.exact.clear()

    def shares(self, lot_id: int) -> None:
        stored = self.stored[lot_id]
        try:
            found = self.walk.origins_of(lot_id)
            self.report.shares_walked += 1
        except NotPlain:
            if not behind(self.session, stored.derived.reach, NEAR_MAX).is_complete:
                self.report.not_compared += 1
                return
            composition = self._traced(lot_id)
            self.report.shares_traced += 1
            found = Origins(
                {origin: weight / SCALE for origin, weight in composition.raw},
                composition.raw_unattributed / SCALE,
                composition.raw_cut / SCALE,
            )
        key = f"lot_id={lot_id}"
        compare_shares(self.report, "derivation", key, stored, found)
        recycled = sum(found.shares[origin] for origin in self._counted(found.shares))
        if abs(stored.mixture.recycled / FINE - recycled) > found.cut + FLOATS:
            recorded = f"post-consumer {stored.mixture.recycled / FINE:.9f}"
            self.report.add("derivation", key, recorded, f"{recycled:.9f} by a walk over the lines", "body")

    def reach(self, lot_id: int) -> None:
        derived = self.stored[lot_id].derived
        if not behind(self.session, derived.reach, NEAR_MAX).is_complete:
            return
        try:
            found = may_be_in(self.walk.lines, lot_id)
            self.report.reaches_walked += 1
        except NotPlain:
            found = self._traced(lot_id).may_contain
            self.report.reaches_traced += 1
        stored = origins_behind(self.session, lot_id, derived)
        for lots, recorded, recomputed in (
            (found - stored, "cannot contain", "may contain"),
            (stored - found, "may contain", "cannot contain"),
        ):
            if lots:
                named = f"lot {min(lots)}" + (f" and {len(lots) - 1} more" if len(lots) > 1 else "")
                recomputed = f"{recomputed} it by a walk over the lines"
                self.report.add("derivation", f"lot_id={lot_id}", f"{recorded} {named}", recomputed, "body")

    def _traced(self, lot_id: int) -> Composition:
        if lot_id not in self.exact:
            self.exact[lot_id] = self.graph.trace(lot_id)
        return self.exact[lot_id]

    def _counted(self, lot_ids: Mapping[int, float]) -> list[int]:
        """Those of some origin lots that count as post-consumer: delivered, and of such a material."""
        return [
            lot_id
            for portion in chunks(lot_ids)
            for (lot_id,) in self.session.execute(POST_CONSUMER, {"wanted": portion})
        ]


def compare_shares(report: Report, table: str, key: str, stored: Composed, found: Origins) -> None:
    """Report the share that is farthest off. A cut-off can only take away, and no more than is said to be cut."""
    one = FINE * FINER
    recorded = {origin: weight / one for origin, weight in stored.weights.items()}
    recorded[ELSEWHERE] = stored.mixture.unattributed / FINE
    true = {**found.shares, ELSEWHERE: found.unattributed}
    too_little = stored.mixture.cut / FINE + found.cut + FLOATS
    too_much = found.cut + FLOATS
    worst, most = ELSEWHERE, 0.0
    for origin in recorded.keys() | true.keys():
        off = recorded.get(origin, 0.0) - true.get(origin, 0.0)
        beyond = off - too_much if off > 0 else -off - too_little
        if beyond > most:
            worst, most = origin, beyond
    if most > 0:
        name = f"lot {worst}" if worst else "nothing on record"
        says = f"share of {name} {recorded.get(worst, 0.0):.9f}"
        report.add(table, key, says, f"{true.get(worst, 0.0):.9f} by a walk over the lines", "body")
