"""Where to look when a balance does not close: likely causes from what is booked, and from what is not.

Common practice, no source. Advice, never a correction: an unexplained mass stays unexplained until somebody books
what was forgotten.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from service.balances.expected import StreamExpected
from service.core.doubt_verdict import DoubtVerdict
from service.core.mass_balance import Verdict
from service.lots.statuses import LotKind, Step

MELTING = frozenset({Step.EXTRUSION, Step.CRYSTALLISING, Step.REACTOR})


@dataclass(frozen=True)
class Seen:
    """What a run shows of itself.

    Parameters
    ----------
    kinds_fed : kinds of the lots fed.
    guessed_in, guessed_out : what has a default or provisional moisture, in words.
    bare : codes of lots booked gross without packaging.
    loops : whether something that came out went back in; `loop_out_only` came out for that and did not.
    """

    step: Step
    is_gain: bool
    kinds_fed: frozenset[LotKind]
    streams: Sequence[StreamExpected]
    guessed_in: Sequence[str] = ()
    guessed_out: Sequence[str] = ()
    bare: Sequence[str] = ()
    loops: bool = False
    loop_out_only: bool = False


def needs_advice(verdict: Verdict, doubt: DoubtVerdict | None) -> bool:
    """Whether there is something to look for: a verdict against the tolerance, or beyond measurement."""
    return verdict is not Verdict.CLOSES or doubt not in (None, DoubtVerdict.WITHIN)


def likely_causes(seen: Seen) -> list[str]:
    """Sentences, the likeliest first."""
    return [*(_of_gain(seen) if seen.is_gain else _of_loss(seen)), *_of_either(seen)]


def _of_gain(seen: Seen) -> list[str]:
    found = []
    if seen.step in MELTING:
        if LotKind.REWORK not in seen.kinds_fed:
            found.append("No rework is booked as fed: was some put back in?")
        if LotKind.VIRGIN not in seen.kinds_fed:
            found.append("No virgin material is booked as fed: was some dosed? It lowers the recycled share.")
        if LotKind.ADDITIVE not in seen.kinds_fed:
            found.append("No additive is booked as fed.")
    else:
        found.append("A bale fed without being scanned: look at the breaker, and count what is left in the yard.")
    found.append("A bag booked out twice, or one that another run made.")
    if seen.bare:
        found.append(f"Booked gross without packaging: {_listed(seen.bare)}. A forgotten tare counts as product.")
    if seen.loop_out_only:
        found.append("Something came out to go round again and is not booked back in: it may be in this run twice.")
    found.append("Flake wetter than booked: its moisture makes up for what went in dry.")
    return found


def _of_loss(seen: Seen) -> list[str]:
    found = []
    missing = [one.stream.replace("_", " ") for one in seen.streams if one.is_missing]
    if missing:
        found.append(f"Usual for this step and not booked: {_listed(missing)}.")
    found.append("A by-product container that was not weighed yet, or a bag that was not booked.")
    if seen.loops:
        found.append("Material that goes round and did not come out before the run was closed.")
    return found


def _of_either(seen: Seen) -> list[str]:
    found = []
    for guessed, side, is_too_high in (
        (seen.guessed_in, "fed", seen.is_gain),
        (seen.guessed_out, "that came out", not seen.is_gain),
    ):
        if guessed:
            kind = "too high" if is_too_high else "too low"
            found.append(f"Moistures {side} that are guesses, and may be {kind}: {_listed(guessed)}.")
    return found


def _listed(words: Sequence[str]) -> str:
    """A few of them by name, the others counted."""
    shown = list(dict.fromkeys(words))
    more = len(shown) - 5
    return ", ".join(shown[:5]) + (f" and {more} more" if more > 0 else "")
