"""Dry mass balance of a run or a period: what went in, what came out, what is missing or too much.

``unexplained = dry in - dry out - change of stock``; positive is a loss, negative a gain. Everything is
on dry mass, in integer micrograms, and verdicts are judged on those integers, never on printed numbers.
Deliberately not here: the uncertainty of the balance, and any way to type the missing number in; an
unexplained mass stays unexplained until a line that was forgotten is booked.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import NamedTuple, assert_never

from service.core.quantities import (
    PPM,
    UG_PER_KG,
    divide_half_up,
    dry_ug,
    grouped,
    kg_text,
    percent_half_up,
    require_fraction_ppm,
)


class NegativeMass(ValueError):
    """A line of a balance with a mass below zero; the direction says in or out, not the sign."""


class Direction(StrEnum):
    """Whether a line feeds the run or leaves it."""

    IN = "in"
    OUT = "out"


class Verdict(StrEnum):
    """What the balance says of itself."""

    CLOSES = "closes"
    LOSS_ABOVE_TOLERANCE = "loss_above_tolerance"
    GAIN_ABOVE_TOLERANCE = "gain_above_tolerance"
    NOTHING_IN = "nothing_in"


@dataclass(frozen=True, slots=True)
class BalanceLine:
    """One stream into or out of a run.

    Parameters
    ----------
    stream : str
        What it is, as the plant calls it: 'clear flake', 'wire'.
    direction : Direction
    mass_g : int, grams wet, >= 0
    moisture_ppm : int, ppm of the wet mass
    weighed : bool
        False if the mass is itself an estimate.

    Raises
    ------
    NegativeMass
        If the mass is below zero.
    NotAFraction
        If the moisture lies outside 0 to 1.
    """

    stream: str
    direction: Direction
    mass_g: int
    moisture_ppm: int
    weighed: bool = True

    def __post_init__(self) -> None:
        if self.mass_g < 0:
            raise NegativeMass(f"{self.stream}: expected zero or more, got {kg_text(self.mass_g)} kg")
        require_fraction_ppm(self.moisture_ppm)

    @property
    def dry_ug(self) -> int:
        """Dry mass, micrograms, exact."""
        return dry_ug(self.mass_g, self.moisture_ppm)


@dataclass(frozen=True, slots=True)
class FractionLoss:
    """A loss nobody can weigh (effluent), estimated as a fraction of the dry input; ppm, 0 to 10**6."""

    stream: str
    fraction_ppm: int

    def __post_init__(self) -> None:
        require_fraction_ppm(self.fraction_ppm)

    def dry_ug(self, dry_in_ug: int) -> int:
        """Estimated dry mass, rounded half up to the microgram."""
        return divide_half_up(dry_in_ug * self.fraction_ppm, PPM)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Largest unexplained mass, either way, that still closes; ppm of the dry input, 0 to 10**6."""

    fraction_ppm: int

    def __post_init__(self) -> None:
        require_fraction_ppm(self.fraction_ppm)


class StreamTotal(NamedTuple):
    """Dry mass of one stream in one direction over all its lines, micrograms."""

    direction: Direction
    stream: str
    dry_ug: int


@dataclass(frozen=True, slots=True)
class Balance:
    """A balance as closed; masses in micrograms dry.

    ``dry_out_ug`` is ``weighed_dry_out_ug`` + ``estimated_dry_out_ug``. ``not_claimable_ug`` is the whole
    gain once it exceeds the tolerance (not only the part beyond it), else zero: within the tolerance
    nothing is withheld.
    """

    dry_in_ug: int
    dry_out_ug: int
    weighed_dry_out_ug: int
    estimated_dry_out_ug: int
    stock_change_ug: int
    unexplained_ug: int
    verdict: Verdict
    tolerance_ppm: int
    not_claimable_ug: int
    by_stream: tuple[StreamTotal, ...]

    def unexplained_percent(self) -> Decimal | None:
        """Unexplained mass in % of dry input, half up to 0.01; None when nothing went in."""
        return percent_half_up(self.unexplained_ug, self.dry_in_ug) if self.dry_in_ug else None

    def closure_percent(self) -> Decimal | None:
        """(Dry out + change of stock) in % of dry input, half up to 0.01; None when nothing went in."""
        accounted_ug = self.dry_out_ug + self.stock_change_ug
        return percent_half_up(accounted_ug, self.dry_in_ug) if self.dry_in_ug else None


def close(
    lines: Iterable[BalanceLine],
    estimates: Sequence[FractionLoss] = (),
    *,
    stock_change_ug: int = 0,
    looped_ug: int = 0,
    tolerance: Tolerance,
) -> Balance:
    """Close a run or a period on dry mass. It always closes, with a verdict; it never refuses.

    Parameters
    ----------
    lines : iterable of BalanceLine
    estimates : sequence of FractionLoss
        Each of the dry input; they count as output, as an estimate.
    stock_change_ug : int, micrograms dry
        What stands in the process at the end less what stood there at the start.
    looped_ug : int, micrograms dry
        What was taken out to run back in, less what ran back (`left_of_loops`): it stands in a lot: counted as out.
    tolerance : Tolerance
        An unexplained mass of exactly the tolerance still closes.

    Notes
    -----
    Source : common practice, no source. Tolerances are settings of the site.

    Examples
    --------
    >>> fed = BalanceLine("bales", Direction.IN, 10_000_000, 60_000)
    >>> flake = BalanceLine("flake", Direction.OUT, 9_850_000, 5_000)
    >>> hidden_gain = close([fed, flake], tolerance=Tolerance(30_000))
    >>> hidden_gain.verdict.value, hidden_gain.closure_percent()
    ('gain_above_tolerance', Decimal('104.26'))
    """
    booked = list(lines)
    dry_in_ug = sum(line.dry_ug for line in booked if line.direction is Direction.IN)
    outputs = [line for line in booked if line.direction is Direction.OUT]
    weighed_dry_out_ug = sum(line.dry_ug for line in outputs if line.weighed) + looped_ug
    losses = [StreamTotal(Direction.OUT, loss.stream, loss.dry_ug(dry_in_ug)) for loss in estimates]
    estimated_dry_out_ug = sum(line.dry_ug for line in outputs if not line.weighed)
    estimated_dry_out_ug += sum(loss.dry_ug for loss in losses)
    dry_out_ug = weighed_dry_out_ug + estimated_dry_out_ug
    unexplained_ug = dry_in_ug - dry_out_ug - stock_change_ug
    booked_totals = [StreamTotal(line.direction, line.stream, line.dry_ug) for line in booked]
    if looped_ug:
        booked_totals.append(StreamTotal(Direction.OUT, "left of internal loops", looped_ug))
    verdict = judge(dry_in_ug, unexplained_ug, tolerance.fraction_ppm)
    return Balance(
        dry_in_ug=dry_in_ug,
        dry_out_ug=dry_out_ug,
        weighed_dry_out_ug=weighed_dry_out_ug,
        estimated_dry_out_ug=estimated_dry_out_ug,
        stock_change_ug=stock_change_ug,
        unexplained_ug=unexplained_ug,
        verdict=verdict,
        tolerance_ppm=tolerance.fraction_ppm,
        not_claimable_ug=-unexplained_ug if unexplained_ug < 0 and verdict is not Verdict.CLOSES else 0,
        by_stream=_by_stream([*booked_totals, *losses]),
    )


def sentence(balance: Balance) -> str:
    """The balance in plain English for the shift leader: what is missing and where to look first.

    Masses are rounded half up to 0.1 kg and percentages to 0.01 here, for reading only.
    """
    out_text = f"{_kg(balance.weighed_dry_out_ug)} kg dry came out weighed"
    if balance.estimated_dry_out_ug:
        out_text += f" and {_kg(balance.estimated_dry_out_ug)} kg by estimate"
    if balance.stock_change_ug:
        change = "more" if balance.stock_change_ug > 0 else "less"
        out_text += f", {_kg(abs(balance.stock_change_ug))} kg {change} stand in the process than before"
    account = f"{_kg(balance.dry_in_ug)} kg dry went in, {out_text}: {_difference(balance)}"
    match balance.verdict:
        case Verdict.CLOSES:
            return f"{account}. The balance closes."
        case Verdict.LOSS_ABOVE_TOLERANCE:
            return (
                f"{account}. Look for a by-product container not weighed, a bag not booked "
                "or a default moisture too low."
            )
        case Verdict.GAIN_ABOVE_TOLERANCE:
            return (
                f"{account}. Look for a bale or rework fed without booking, flake booked too dry "
                f"or a bag booked twice. {_not_claimable(balance)}"
            )
        case Verdict.NOTHING_IN:
            advice = "Nothing is booked as fed; book what was fed, then close again."
            return f"{account}. {advice} {_not_claimable(balance)}".rstrip()
        case _:
            assert_never(balance.verdict)


def left_of_loops(looped_out_ug: int, looped_in_ug: int, out_ug: int) -> int:
    """What internal loops leave of a run in lots: taken out to run back in, less what ran back; micrograms dry.

    Below zero where a product was run back in, which then came out twice; never more than came out at all.

    Examples
    --------
    >>> left_of_loops(100, 80, 900), left_of_loops(0, 20, 900), left_of_loops(0, 20, 5)
    (20, -20, -5)
    """
    return max(looped_out_ug - looped_in_ug, -out_ug)


def judge(dry_in_ug: int, unexplained_ug: int, tolerance_ppm: int) -> Verdict:
    """What an unexplained mass says against a tolerance, a fraction of the dry input; masses in micrograms.

    Examples
    --------
    >>> judge(31_200, 835, 20_000).value, judge(1_000, -20, 20_000).value
    ('loss_above_tolerance', 'closes')
    """
    if dry_in_ug == 0:
        return Verdict.NOTHING_IN
    if abs(unexplained_ug) * PPM <= tolerance_ppm * dry_in_ug:
        return Verdict.CLOSES
    return Verdict.LOSS_ABOVE_TOLERANCE if unexplained_ug > 0 else Verdict.GAIN_ABOVE_TOLERANCE


def _by_stream(entries: Iterable[StreamTotal]) -> tuple[StreamTotal, ...]:
    """Totals per direction and stream, in order of first appearance."""
    totals: dict[tuple[Direction, str], int] = {}
    for direction, stream, amount_ug in entries:
        totals[direction, stream] = totals.get((direction, stream), 0) + amount_ug
    return tuple(StreamTotal(direction, stream, total) for (direction, stream), total in totals.items())


def _difference(balance: Balance) -> str:
    """'172.0 kg are missing, 0.87 % of the dry input, within the tolerance of 3 %'."""
    if balance.unexplained_ug == 0:
        return "nothing is missing"
    kind = "are missing" if balance.unexplained_ug > 0 else "too much came out"
    text = f"{_kg(abs(balance.unexplained_ug))} kg {kind}"
    percent = balance.unexplained_percent()
    if percent is None:
        return text
    tolerance_percent = (Decimal(balance.tolerance_ppm) * 100 / PPM).normalize()
    relation = "within" if balance.verdict is Verdict.CLOSES else "above"
    text += f", {abs(percent)} % of the dry input, {relation} the tolerance of {tolerance_percent:f} %"
    if relation == "above" and abs(percent) <= tolerance_percent:
        # Otherwise the reader sees 3.00 % called more than 3 % and trusts neither number.
        text += " (judged on unrounded masses)"
    return text


def _not_claimable(balance: Balance) -> str:
    if not balance.not_claimable_ug:
        return ""
    return f"{_kg(balance.not_claimable_ug)} kg may not be claimed until this is explained."


def _kg(amount_ug: int) -> str:
    """Kilograms with one decimal and grouped thousands."""
    return grouped(f"{Decimal(divide_half_up(amount_ug * 10, UG_PER_KG)) / 10:.1f}")
