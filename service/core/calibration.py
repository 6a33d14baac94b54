"""What a scale's certificate is worth at a moment: the doubt of one reading and of what all its readings share.

A scale has two doubts that behave differently. The reading's own (zero, place on the bridge, rounding) is new each
time and averages out over many loads. The span error is in proportion to what is weighed, the same every time, and
never averages out. A certificate states either; without one the class promises error limits in service. A
calibration that was not valid at the moment of use promises nothing: then the plant's worst default applies, never
less than the certificate or the class would give.

Kept here: which of these holds, and how large it is.
Not here: how doubts add up (``measured``), the limits of a class (``weighing``).
"""

import math
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from service.core.measured import rectangular
from service.core.quantities import PPM
from service.core.weighing import AccuracyClass, OutsideClass, in_service_error_g


class Standing(StrEnum):
    """What a scale's calibration is worth when it is used."""

    VALID = "valid"  # a certificate, or a verified class without one
    NOT_YET = "not_yet"
    EXPIRED = "expired"


@dataclass(frozen=True, slots=True)
class Calibration:
    """A scale with the certificate that was in force.

    Parameters
    ----------
    e_g, max_g : verification interval and capacity, grams.
    u_reading_g : standard uncertainty of one reading by certificate, grams; None without one.
    u_span_ppm : standard uncertainty of the span by certificate, ppm of the mass; None, or 0, without one.
    valid_from, valid_to : half-open; None for no limit stated on that side.
    """

    accuracy_class: AccuracyClass
    e_g: int
    max_g: int
    u_reading_g: int | None = None
    u_span_ppm: int | None = None
    valid_from: datetime | None = None
    valid_to: datetime | None = None

    def standing_at(self, at: datetime) -> Standing:
        """Whether the calibration was valid at a moment."""
        if self.valid_from is not None and at < self.valid_from:
            return Standing.NOT_YET
        if self.valid_to is not None and at >= self.valid_to:
            return Standing.EXPIRED
        return Standing.VALID

    def reading_u_g(self, load_g: int, at: datetime, worst_fraction: float) -> float:
        """Standard uncertainty of one reading at a load, grams.

        Parameters
        ----------
        worst_fraction : half-width, of the load, that is taken where the class promises no limit for it.
        """
        stated = 0.0 if self.u_reading_g is None else float(self.u_reading_g)
        if stated and self.standing_at(at) is Standing.VALID:
            return stated
        return max(stated, rectangular(self._limit_g(load_g, worst_fraction)))

    def span_u(self, at: datetime, worst_fraction: float) -> float:
        """Standard uncertainty of the span, as a fraction of the mass.

        Parameters
        ----------
        worst_fraction : half-width, of the mass, that is taken while no calibration is valid.

        Examples
        --------
        A class III bridge of 60 t and e = 20 kg without certificate: 60 kg at Max, so 0.1 % either way.

        >>> bridge = Calibration(AccuracyClass.III, 20_000, 60_000_000)
        >>> round(bridge.span_u(datetime(2026, 3, 9), 0.01) * 3**0.5, 6)
        0.001
        """
        # No scale is without any: a span stated as nothing was left out, not measured.
        stated = (self.u_span_ppm or 0) / PPM
        is_valid = self.standing_at(at) is Standing.VALID
        if stated and is_valid:
            return stated
        by_class = rectangular(self._limit_g(self.max_g, worst_fraction) / self.max_g)
        return max(stated, by_class, 0.0 if is_valid else rectangular(worst_fraction))

    def _limit_g(self, load_g: int, worst_fraction: float) -> float:
        """In-service error limit at a load; the worst default where the class promises none."""
        try:
            return float(in_service_error_g(self.accuracy_class, self.e_g, load_g))
        except OutsideClass:
            return math.fabs(load_g) * worst_fraction
