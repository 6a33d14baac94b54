"""Working out the draws of a vessel period anew from some moment on, no further than anything changes.

Standings are kept at some instants of a period. A change at one instant is answered by running the book on from the
last standing before it; where it stands afterwards as it stood before, all that follows stands as well.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from sqlalchemy import delete, func, insert, select, update
from sqlmodel import Session, col

from service.core.mixture import Mixture
from service.core.vessel_book import Charge, Draw
from service.lineage.flows import ProcessRow, draw_code
from service.lineage.known_so_far import KnownSoFar
from service.lineage.period_lines import LinesAhead, lines_by_id, read_ahead
from service.lineage.replay import DrawRule, Replay
from service.lineage.rules import VesselRules
from service.lineage.standing import HalfDrawn, Standing, body_of, standing_of
from service.lineage.stored import Derived, add_reach
from service.lineage.tables import VesselStanding, plain
from service.lots.rows import LineRow

# A far-reaching change is worked out so many lines at a time, and so many of the newest standings are kept, besides
# every `KEPT_EVERY`-th: a draw that is booked late begins a little before the newest.
LINES_AT_A_TIME, NEWEST_KEPT, KEPT_EVERY = 128, 4, 16


@dataclass
class Dirt:
    """What has to be looked at again in one period.

    Parameters
    ----------
    from_us, to_us : the first and the last instant at which something changed.
    charges : charges whose lots may have changed, by line.
    standing : where to go on, if it was begun and left for something else to be worked out first.
    ahead : lines read ahead from there.
    following_us : the next instant at which a standing is stored; -1 while nobody has looked.
    unstored : lines booked since a standing was stored.
    """

    from_us: int
    to_us: int
    charges: set[int] = field(default_factory=set)
    standing: Standing | None = None
    ahead: LinesAhead | None = None
    following_us: int | None = -1
    unstored: int = 0

    def add(self, us: int, charges: Iterable[int] = ()) -> None:
        self.from_us, self.to_us = min(self.from_us, us), max(self.to_us, us)
        self.charges.update(charges)
        if self.standing is not None and us <= self.standing.at_us:
            self.standing = self.ahead = None
            self.following_us = -1


class Stretch(NamedTuple):
    """Lines to book next.

    Parameters
    ----------
    until_us : book them up to this instant; None where there is nothing to book.
    is_last : none follow.
    next_us : where there is nothing to book before a horizon, when there will be.
    """

    charges: list[Charge]
    draws: list[Draw]
    until_us: int | None
    is_last: bool
    next_us: int | None = None


@dataclass
class VesselDeriver:
    """Works out what was drawn from vessels, for one entry.

    Parameters
    ----------
    lots : asked for the composition of what was charged.
    rules : regimes and proofs.
    cut_off : per FINE.
    """

    session: Session
    lots: KnownSoFar
    rules: VesselRules
    cut_off: int

    def draws(self, period: ProcessRow, dirt: Dirt, horizon_us: int | None) -> tuple[dict[int, Derived], int | None]:
        """What the draws that end after a change are made of.

        Parameters
        ----------
        dirt : remembers where to go on.
        horizon_us : something else is to be worked out first that happened then; stop there. None for never.

        Returns
        -------
        by lot; and the instant from which it has to go on, None if all is done.
        """
        if dirt.standing is None:
            dirt.standing = self._standing_before(period.id, dirt.from_us)
        made: dict[int, Derived] = {}
        while True:
            stretch = self._stretch(period.id, dirt, horizon_us)
            if stretch.until_us is None:
                return made, stretch.next_us
            drawn, after = self._replay(period, dirt, stretch)
            made |= drawn
            dirt.unstored += len(stretch.charges) + len(stretch.draws)
            stood = self._keep(period.id, after, stretch, dirt)
            dirt.standing = after
            # A line that begins at the very instant of a standing comes after it.
            if stretch.is_last or (stood and stretch.until_us > dirt.to_us):
                return made, None

    def _standing_before(self, period_id: int, us: int) -> Standing | None:
        query = (
            select(col(VesselStanding.at_us), col(VesselStanding.body))
            .where(col(VesselStanding.period_id) == period_id, col(VesselStanding.at_us) < us)
            .order_by(col(VesselStanding.at_us).desc())
            .limit(1)
        )
        found = self.session.execute(query).first()
        return None if found is None else standing_of(*found)

    def _stretch(self, period_id: int, dirt: Dirt, horizon_us: int | None) -> Stretch:
        after_us = None if dirt.standing is None else dirt.standing.at_us
        if dirt.following_us == -1:
            dirt.following_us = self._next_standing(period_id, after_us)
        following_us = dirt.following_us
        if dirt.ahead is None or not (dirt.ahead.is_whole or dirt.ahead.edges_after(after_us)):
            running = () if dirt.standing is None else dirt.standing.running
            dirt.ahead = read_ahead(self.session, period_id, after_us, running, LINES_AT_A_TIME)
        edges = dirt.ahead.edges_after(after_us)
        if following_us is not None:
            edges = [us for us in edges if us < following_us]
            # What was read may end before the stored standing; then the stretch does so, too.
            if dirt.ahead.is_whole or dirt.ahead.until_us > following_us:
                edges.append(following_us)
        if not edges:
            return Stretch([], [], None, True)
        until_us = next((us for us in reversed(edges) if horizon_us is None or us <= horizon_us), None)
        if until_us is None:
            return Stretch([], [], None, False, edges[0])
        charges, draws = dirt.ahead.booked_until(after_us, until_us)
        is_last = dirt.ahead.is_whole and following_us is None and until_us == edges[-1]
        return Stretch(charges, draws, until_us, is_last)

    def _next_standing(self, period_id: int, after_us: int | None) -> int | None:
        query = select(col(VesselStanding.at_us)).where(col(VesselStanding.period_id) == period_id)
        if after_us is not None:
            query = query.where(col(VesselStanding.at_us) > after_us)
        first = query.order_by(col(VesselStanding.at_us)).limit(1)
        found: int | None = self.session.execute(first).scalar_one_or_none()
        return found

    def _replay(self, period: ProcessRow, dirt: Dirt, stretch: Stretch) -> tuple[dict[int, Derived], Standing]:
        assert stretch.until_us is not None, "there is something to book"
        assert dirt.ahead is not None, "what is to be booked was read"
        line_of = dirt.ahead.lines
        lot_of = {charge.key: line_of[charge.key].lot_id or 0 for charge in stretch.charges}
        self.lots.preload(lot_of.values())
        if dirt.standing is not None:
            lot_of |= self._lots_of_earlier(dirt.standing, lot_of)
        rules = {
            draw.key: DrawRule(
                lot_id=line_of[draw.key].lot_id or 0,
                model=self.rules.model_at(period, line_of[draw.key]),
                keeps_order=self.rules.keeps_order(period, line_of[draw.key]),
            )
            for draw in stretch.draws
        }
        replay = Replay(
            standing=dirt.standing,
            mixture_of_charge=lambda line: self.mixture_of_charge(line, lot_of[line]),
            rule_of_draw=rules,
            models=self.rules.models(period),
            capacity_ug=self.rules.capacity_ug(period),
            cut_off=self.cut_off,
        )
        after = replay.run(stretch.charges, stretch.draws, stretch.until_us)
        drawn = {
            rules[draw.key].lot_id: self._derived(period.id, line_of[draw.key], rules[draw.key], replay, lot_of)
            for draw in stretch.draws
            if draw.end <= stretch.until_us
        }
        return drawn, after

    def mixture_of_charge(self, line_id: int, lot_id: int) -> Mixture:
        """What one charge is made of."""
        return self.lots.mixture_of(line_id, lot_id)

    def _lots_of_earlier(self, standing: Standing, known: Mapping[int, int]) -> dict[int, int]:
        """The lots of earlier charges that may still leave, or left in a draw that is running."""
        wanted = {line for layer in standing.layers for line, _ in layer.charged}
        wanted = wanted.union(*(half.charges for half in standing.half_drawn.values())) - known.keys()
        if not wanted:
            return {}
        found = {line.id: line.lot_id or 0 for line in lines_by_id(self.session, wanted)}
        self.lots.preload(found.values())
        return found

    def _derived(
        self, period_id: int, line: LineRow, rule: DrawRule, replay: Replay, lot_of: Mapping[int, int]
    ) -> Derived:
        half = replay.drawn.get(line.id, HalfDrawn())
        mixture = half.mixed(rule.lot_id, self.cut_off)
        reach: dict[int, int] = {}
        if rule.keeps_order and half.parts and not half.is_order_lost:
            for charge in half.charges:
                add_reach(reach, self.lots.brought_by(charge, lot_of[charge]))
        else:
            add_reach(reach, {period_id: draw_code(line)})
        return Derived.of(rule.lot_id, mixture, reach)

    def _keep(self, period_id: int, after: Standing, stretch: Stretch, dirt: Dirt) -> bool:
        """Store a standing where one is wanted; whether the one stored before says the same."""
        if after.at_us == dirt.following_us:
            dirt.unstored, dirt.following_us = 0, -1
            return self._compare(period_id, after, stretch)
        if (stretch.is_last and stretch.draws) or dirt.unstored >= LINES_AT_A_TIME:
            self._store(period_id, after, is_kept=not stretch.is_last)
            # The next one may be among those thrown away.
            dirt.unstored, dirt.following_us = 0, -1
        return False

    def _compare(self, period_id: int, after: Standing, stretch: Stretch) -> bool:
        here = (col(VesselStanding.period_id) == period_id, col(VesselStanding.at_us) == after.at_us)
        if all(after.at_us not in (line.start, line.end) for line in (*stretch.charges, *stretch.draws)):
            # Its instant is no edge of the book any more: a rounding there would be one too many.
            self.session.execute(delete(plain(VesselStanding)).where(*here))
            return False
        query = select(col(VesselStanding.number), col(VesselStanding.body)).where(*here)
        number, stored = self.session.execute(query).one()
        body = body_of(after, number)
        if stored != body:
            self.session.execute(update(plain(VesselStanding)).where(*here).values(body=body))
        return bool(stored == body)

    def _store(self, period_id: int, after: Standing, *, is_kept: bool) -> None:
        of_period = col(VesselStanding.period_id) == period_id
        newest = self.session.execute(select(func.max(col(VesselStanding.number))).where(of_period)).scalar_one()
        number = (newest or 0) + 1
        if is_kept:
            number += -number % KEPT_EVERY
        row = {"period_id": period_id, "at_us": after.at_us, "number": number, "body": body_of(after, number)}
        self.session.execute(insert(plain(VesselStanding)), [row])
        thin = number - NEWEST_KEPT
        if thin % KEPT_EVERY:
            self.session.execute(delete(plain(VesselStanding)).where(of_period, col(VesselStanding.number) == thin))
