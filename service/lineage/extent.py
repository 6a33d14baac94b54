"""How long the history behind a made lot is: short enough to walk, short enough to list, or neither.

The longer a vessel was filled, the more may be in what is drawn from it. So once some draw was found to reach back
too far, all later draws of the same period are known to, for as long as nothing was written at all.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from sqlmodel import Session

from service.lineage.closure import Behind, behind
from service.lineage.composed import few_origins_among
from service.lineage.kept import kept_of, sizes_now
from service.lineage.stored import EVER

# A history of so many runs, charges and lots is walked; what is longer was worked out in advance.
WALKED_MAX = 60
LISTED_MAX = 2_000  # a may-contain set wider than this is given as ranges
LOOKED_AT_MAX = 2_500  # runs, charges and lots looked through to find out whether it is


@dataclass(frozen=True)
class Extent:
    """What may be in something, as far as it is short.

    Parameters
    ----------
    until : everything that may be in it (`closure.Behind`); None where that or its origin lots are too many to list.
    origins : its origin lots; None where `until` is, or so short that it is walked.
    """

    until: Mapping[int, int] | None
    origins: frozenset[int] | None

    @property
    def is_walked(self) -> bool:
        return self.until is not None and len(self.until) <= WALKED_MAX


RANGED = Extent(None, None)


def extent_of(session: Session, reach: Mapping[int, int]) -> Extent:
    """How long the history is behind something that reaches so far (`stored.Derived`)."""
    periods = {number: code for number, code in reach.items() if code < EVER}
    kept = kept_of(session)
    limits = (WALKED_MAX, LISTED_MAX, LOOKED_AT_MAX)
    ranged_from = {} if kept is None else kept.ranged_from(sizes_now(session), limits)
    if any(ranged_from.get(period, EVER) <= code for period, code in periods.items()):
        return RANGED
    # What may be in several is what may be in each, until the latest of the moments found.
    until = {number: code for number, code in reach.items() if code == EVER}
    for period, code in periods.items():
        found = behind(session, {period: code}, LOOKED_AT_MAX)
        if is_ranged(session, found):
            ranged_from[period] = code
            return RANGED
        for number, last in found.until.items():
            if until.get(number, -1) < last:
                until[number] = last
    together = Behind(until, len(until) <= LOOKED_AT_MAX)
    if len(until) <= WALKED_MAX:
        return Extent(until, None)
    origins = few_origins_among(session, together, LISTED_MAX)
    return RANGED if origins is None else Extent(until, frozenset(origins))


def is_ranged(session: Session, found: Behind) -> bool:
    """Whether what was found behind one vessel is by itself too much to walk and too much to list."""
    if not found.is_complete:
        return True
    return len(found.until) > WALKED_MAX and few_origins_among(session, found, LISTED_MAX) is None
