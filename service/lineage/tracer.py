"""The expected share of some lots in everything made of them, down to the cut-off, worked out for one question.

Compositions are kept by source, so they cannot tell one made lot from another of the same sources. Here everything
is therefore mixed once more with two kinds of matter only, that of the lots asked about and the rest, from their
first use on, until what is left of it anywhere is below the cut-off. Nothing is stored.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from fractions import Fraction

from sqlmodel import Session

from service.core.mixture import FINE, Mixture, of_source
from service.core.vessel_book import Entry
from service.lineage.derive import SHARE_CUT_OFF, Deriver
from service.lineage.derive_vessel import Dirt, Stretch, VesselDeriver
from service.lineage.known_so_far import KnownSoFar
from service.lineage.standing import HalfDrawn, Standing
from service.lineage.stored import SHARE_UNIT, Derived

ASKED, REST = 1, 2
ALL_ASKED, ALL_REST = of_source(ASKED, 0), of_source(REST, 0)


class TwoKinds(KnownSoFar):
    """Lots by how much of them is asked about; whatever is not known to hold some of it holds none."""

    def __init__(self, session: Session, asked: Iterable[int]) -> None:
        super().__init__(session)
        self._asked = frozenset(asked)
        self.weights: dict[int, int] = {}

    @property
    def pieces(self) -> int:
        return 0

    def preload(self, lot_ids: Iterable[int]) -> None:
        """Nothing stored is looked at."""

    def derived(self, lot_id: int) -> Derived:
        if lot_id in self._asked:
            return Derived(ALL_ASKED, {})
        weight = self.weights.get(lot_id, 0)
        return Derived(two_kinds(weight), {})

    def is_news(self, lot_id: int, derived: Derived | None) -> bool:
        return lot_id not in self._asked and asked_part(derived) != self.weights.get(lot_id, 0)

    def put(self, lot_id: int, derived: Derived | None) -> bool:
        """Remember the asked part of a lot; whether it is worth following."""
        if not self.is_news(lot_id, derived):
            return False
        self.weights[lot_id] = asked_part(derived)
        return self.weights[lot_id] >= SHARE_CUT_OFF

    def brought_by(self, line_id: int, lot_id: int) -> dict[int, int]:
        return {}

    def look_at_origins(self, lot_ids: Iterable[int]) -> None:
        """Whether the rest counts as recycled is not asked."""

    def set_members(self, source_id: int, weights: dict[int, int]) -> None:
        """Sources are not told apart."""

    def store(self, seq: int) -> int:
        return 0


def asked_part(derived: Derived | None) -> int:
    """How much of a lot is asked about, per FINE."""
    return 0 if derived is None else derived.mixture.weights.get(ASKED, 0)


def two_kinds(weight: int) -> Mixture:
    """So much of what is asked about, per FINE, and the rest."""
    if weight == 0:
        return ALL_REST
    return ALL_ASKED if weight == FINE else Mixture({ASKED: weight, REST: FINE - weight}, 0, 0, None, 0)


@dataclass
class TwoKindsVessels(VesselDeriver):
    """Vessels that begin with none of what is asked about and stop once next to nothing of it is left.

    Parameters
    ----------
    asked_in : asked part of each charge booked so far, by line.
    """

    asked_in: dict[int, int] = field(default_factory=dict)

    def _standing_before(self, period_id: int, us: int) -> Standing | None:
        stored = super()._standing_before(period_id, us)
        if stored is None:
            return None
        half = {
            line: HalfDrawn([(ALL_REST, dry_ug) for _, dry_ug in one.parts], one.charges, one.is_order_lost)
            for line, one in stored.half_drawn.items()
        }
        return replace(stored, content=None if stored.content is None else ALL_REST, half_drawn=half)

    def _next_standing(self, period_id: int, after_us: int | None) -> int | None:
        return None

    def _keep(self, period_id: int, after: Standing, stretch: Stretch, dirt: Dirt) -> bool:
        assert dirt.ahead is not None, "what was booked was read"
        for charge in stretch.charges:
            # A vessel that keeps the order asks what a charge is made of only when it leaves.
            charged = self.mixture_of_charge(charge.key, dirt.ahead.lines[charge.key].lot_id or 0)
            self.asked_in[charge.key] = charged.weights.get(ASKED, 0)
        # In the content, in a draw that is still running, or in a layer.
        standing = [] if after.content is None else [after.content]
        standing += [mixture for half in after.half_drawn.values() for mixture, _ in half.parts]
        is_left = any(mixture.weights.get(ASKED, 0) >= SHARE_CUT_OFF for mixture in standing)
        return not is_left and not any(self._is_asked(layer) for layer in after.layers)

    def _is_asked(self, layer: Entry) -> bool:
        return any(self.asked_in.get(line, 0) >= SHARE_CUT_OFF for line, _ in layer.charged)


def shares_onward(session: Session, lot_ids: Iterable[int]) -> dict[int, int]:
    """Expected share of these lots in everything made of them, per 10**12, down to the cut-off; without themselves.

    Mass that passes through two of them counts once.
    """
    asked = sorted(set(lot_ids))
    lots = TwoKinds(session, asked)
    Deriver(session, 0, _all_kept, lots, TwoKindsVessels).follow_lots(asked)
    return {lot: weight // SHARE_UNIT for lot, weight in lots.weights.items() if weight >= SHARE_CUT_OFF}


def _all_kept(_run_id: int, _is_product: bool) -> Fraction:
    """What a gain withholds changes no composition."""
    return Fraction(1)
