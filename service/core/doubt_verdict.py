"""What an unexplained mass is worth against the doubt of measurement, and how to say it.

A fixed tolerance says what a plant puts up with; U95 says what its scales and samples can tell. Both are shown. Only
the tolerance decides what is withheld from claims: a plant must not gain claims by measuring badly.

Source : JCGM 100:2008 (GUM), 6.2 (expanded uncertainty; clause from memory). That a difference within U95 is not
distinguished from none is common practice in material accountancy.
"""

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from service.core.measured import Measured
from service.core.quantities import PPM, divide_half_up, grouped


class DoubtVerdict(StrEnum):
    """Whether what is unexplained can be told from nothing by measurement."""

    WITHIN = "within_doubt"
    LOSS_BEYOND = "loss_beyond_doubt"
    GAIN_BEYOND = "gain_beyond_doubt"


@dataclass(frozen=True, slots=True)
class Judged:
    """An unexplained mass as it is stored beside its doubt.

    Parameters
    ----------
    unexplained_ug : micrograms dry; loss positive.
    u95_ug : expanded uncertainty, micrograms, rounded half up.
    coverage_ppm : the coverage factor k times a million, rounded half up.
    """

    unexplained_ug: int
    u95_ug: int
    coverage_ppm: int

    @property
    def verdict(self) -> DoubtVerdict:
        if abs(self.unexplained_ug) <= self.u95_ug:
            return DoubtVerdict.WITHIN
        return DoubtVerdict.LOSS_BEYOND if self.unexplained_ug > 0 else DoubtVerdict.GAIN_BEYOND


def judge(unexplained: Measured) -> Judged:
    """The figures of an unexplained mass, ready to be stored.

    Examples
    --------
    >>> from service.core.measured import Cause, CauseKind
    >>> gain = judge(Measured(-400_750_000_000, {Cause(CauseKind.MOISTURE, "delivery 8"): 75e9}))
    >>> gain.u95_ug, gain.coverage_ppm, gain.verdict.value
    (150000000000, 2000000, 'gain_beyond_doubt')
    """
    expanded = divide_half_up(*Fraction(unexplained.expanded_ug).as_integer_ratio())
    coverage = divide_half_up(*Fraction(unexplained.coverage_factor * PPM).as_integer_ratio())
    return Judged(unexplained.value_ug, expanded, coverage)


def doubt_sentence(judged: Judged) -> str:
    """The verdict in words, for the shift leader and for an auditor.

    Examples
    --------
    >>> print(doubt_sentence(Judged(172_009_000_000, 471_300_000_000, 2_000_000)))
    Measurement can tell a loss from nothing only above 471.3 kg (U95, k = 2): 172.0 kg are within the doubt of \
measurement.
    """
    amount, doubt = _kg(abs(judged.unexplained_ug)), _kg(judged.u95_ug)
    coverage = f"U95, k = {judged.coverage_ppm / PPM:.4g}"
    match judged.verdict:
        case DoubtVerdict.WITHIN:
            kind = "gain" if judged.unexplained_ug < 0 else "loss"
            return (
                f"Measurement can tell a {kind} from nothing only above {doubt} kg ({coverage}): "
                f"{amount} kg are within the doubt of measurement."
            )
        case DoubtVerdict.LOSS_BEYOND:
            return (
                f"{amount} kg missing are more than the {doubt} kg that measurement may be wrong by ({coverage}): "
                "mass left that nobody booked, or something is wrong that no certificate covers."
            )
        case DoubtVerdict.GAIN_BEYOND:
            return (
                f"{amount} kg too much are more than the {doubt} kg that measurement may be wrong by ({coverage}): "
                "mass came in that nobody booked, or something was booked out that did not come from here."
            )


def _kg(amount_ug: int) -> str:
    return grouped(f"{divide_half_up(amount_ug, 10**8) / 10:.1f}")
