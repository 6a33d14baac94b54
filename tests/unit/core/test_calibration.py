"""What a certificate is worth: valid, expired, not yet valid, none; never less doubt because something is missing.

Expected figures by hand: in-service limits of class III at e = 20 kg are 40 kg at 35.6 t and 60 kg at 60 t (table 3 of
UK SI 1995/1907, Sch. 2; doubled in service).
"""

from datetime import UTC, datetime
from math import sqrt

import pytest

from service.core.calibration import Calibration, Standing
from service.core.weighing import AccuracyClass

MARCH, MAY, JULY = (datetime(2026, month, 1, tzinfo=UTC) for month in (3, 5, 7))
WORST = 0.01
BARE = Calibration(AccuracyClass.III, 20_000, 60_000_000)
CERTIFIED = Calibration(AccuracyClass.III, 20_000, 60_000_000, 9_000, 200, MARCH, JULY)


@pytest.mark.parametrize(("scale", "at", "standing", "reading_g", "span"), [
    (BARE, MAY, Standing.VALID, 40_000 / sqrt(3), 0.001 / sqrt(3)),
    (CERTIFIED, MAY, Standing.VALID, 9_000, 0.0002),
    (CERTIFIED, MARCH, Standing.VALID, 9_000, 0.0002),
    (CERTIFIED, JULY, Standing.EXPIRED, 40_000 / sqrt(3), WORST / sqrt(3)),
    (CERTIFIED, datetime(2026, 2, 28, tzinfo=UTC), Standing.NOT_YET, 40_000 / sqrt(3), WORST / sqrt(3)),
])  # fmt: skip
def test_what_holds(scale: Calibration, at: datetime, standing: Standing, reading_g: float, span: float) -> None:
    assert scale.standing_at(at) is standing
    assert scale.reading_u_g(35_600_000, at, WORST) == pytest.approx(reading_g, rel=1e-12)
    assert scale.span_u(at, WORST) == pytest.approx(span, rel=1e-12)


def test_an_expired_certificate_never_makes_a_scale_better() -> None:
    """A certificate worse than its class stays worse once it has expired."""
    poor = Calibration(AccuracyClass.III, 20_000, 60_000_000, 90_000, 20_000, MARCH, JULY)
    assert poor.reading_u_g(35_600_000, JULY, WORST) == 90_000
    assert poor.span_u(JULY, WORST) == 0.02


def test_a_load_beyond_the_class_is_in_doubt_by_the_worst_default() -> None:
    small = Calibration(AccuracyClass.III, 10, 200_000)  # 20,000 e: class III ends at 10,000 e
    assert small.reading_u_g(150_000, MAY, WORST) == pytest.approx(1_500 / sqrt(3))
    assert small.span_u(MAY, WORST) == pytest.approx(WORST / sqrt(3))


def test_a_span_stated_as_nothing_is_not_believed() -> None:
    exact = Calibration(AccuracyClass.III, 20_000, 60_000_000, 9_000, 0, MARCH, JULY)
    assert exact.span_u(MAY, WORST) == pytest.approx(0.001 / sqrt(3))
    assert exact.span_u(JULY, WORST) == pytest.approx(WORST / sqrt(3))
