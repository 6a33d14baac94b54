"""Goal: every oddity of a log is found, named for what it is, and never mended in silence.

Method: literal cases, each kind by itself and all at once; a sound log has no finding.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from signal_logs import BED, MINUTE, judged, kinds, log

from service.core.series_findings import FindingKind
from service.core.signal_series import Gap, Outcome, judge
from service.core.signals import SignalSeries, joined


class TestOddSeries:
    """Every kind by itself, then that a sound series has none."""

    def test_sound(self):
        assert judged([206.0, 206.1] * 30).findings == ()

    def test_out_of_order(self):
        """Ten minutes came late, after the line was back: they fill the hole, and are named."""
        late = joined([log([206.0] * 10), log([206.0] * 10, 20 * MINUTE), log([204.0] * 10, 10 * MINUTE)])
        found = judge(late, BED, 0, 30 * MINUTE)
        (finding,) = found.findings
        assert (finding.kind, finding.from_ms, finding.samples) == (FindingKind.OUT_OF_ORDER, 10 * MINUTE, 10)
        assert found.gaps == ()
        assert [(each.from_ms, each.to_ms) for each in found.excursions] == [(10 * MINUTE, 20 * MINUTE)]

    def test_sent_twice(self):
        twice = joined([log([206.0, 207.0] * 5), log([206.0, 207.0] * 2, 4 * MINUTE), log([206.0] * 5, 10 * MINUTE)])
        found = judge(twice, BED, 0, 15 * MINUTE)
        (finding,) = found.findings
        assert (finding.kind, finding.from_ms, finding.samples) == (FindingKind.SENT_TWICE, 4 * MINUTE, 4)
        assert found.outcome is Outcome.KEPT
        assert found.statistics == judged([206.0, 207.0] * 5 + [206.0] * 5).statistics

    @pytest.mark.parametrize("is_worse_first", [True, False])
    def test_two_values_and_the_worse_decides(self, is_worse_first):
        pair = [204.0, 207.0] if is_worse_first else [207.0, 204.0]
        series = SignalSeries.of([0, MINUTE, MINUTE, 2 * MINUTE], [206.0, *pair, 206.0])
        found = judge(series, BED, 0, 3 * MINUTE)
        (finding,) = found.findings
        assert (finding.kind, finding.from_ms, finding.to_ms) == (FindingKind.TWO_VALUES, MINUTE, MINUTE + 1)
        assert (finding.lowest, finding.highest, finding.samples) == (204.0, 207.0, 2)
        assert [(each.from_ms, each.to_ms, each.extreme) for each in found.excursions] == [(MINUTE, 2 * MINUTE, 204.0)]
        assert judge(series, replace(BED, least=None, most=206.5), 0, 3 * MINUTE).excursions[0].extreme == 207.0

    def test_two_values_inside_an_excursion_do_not_part_it(self):
        series = SignalSeries.of([0, MINUTE, MINUTE, 2 * MINUTE], [200.0, 200.0, 206.0, 200.0])
        (only,) = judge(series, BED, 0, 3 * MINUTE).excursions
        assert (only.from_ms, only.to_ms, only.samples) == (0, 3 * MINUTE, 3)

    def test_two_values_of_which_one_was_sent_twice(self):
        series = SignalSeries.of([0, MINUTE, MINUTE, MINUTE, 2 * MINUTE], [206.0, 207.0, 206.5, 207.0, 206.0])
        found = judge(series, BED, 0, 3 * MINUTE)
        assert [(each.kind, each.samples) for each in found.findings] == [
            (FindingKind.SENT_TWICE, 1),
            (FindingKind.TWO_VALUES, 2),
        ]

    def test_a_clock_set_back_lives_an_hour_twice(self):
        """An hour of silence hides behind it: 40 minutes logged, one hour nothing, the clock back by 60 min 20 s."""
        series = joined([log([206.0] * 100), log([206.0] * 40, 39 * MINUTE + 40_000)])
        found = judge(series, BED, 0, 100 * MINUTE)
        assert kinds(found) == [FindingKind.CLOCK_MOVED]
        assert (found.gaps, found.excursions, found.outcome) == ((), (), Outcome.NOT_PROVEN)
        assert found.suspect == ((39 * MINUTE + 40_000, 99 * MINUTE + 1),)

    def test_a_clock_set_back_by_less_than_the_interval(self):
        series = joined([log([206.0] * 10), log([206.0] * 10, 9 * MINUTE + 20_000)])
        found = judge(series, BED, 0, 19 * MINUTE)
        assert kinds(found) == [FindingKind.CLOCK_MOVED]
        assert found.suspect == ((9 * MINUTE, 9 * MINUTE + 20_001),)

    def test_a_sample_in_between_and_a_finer_log_are_no_moved_clock(self):
        between = SignalSeries.of([0, MINUTE, MINUTE + 20_000, 2 * MINUTE, 3 * MINUTE], [206.0] * 5)
        assert judge(between, BED, 0, 4 * MINUTE).findings == ()
        assert judge(log([206.0] * 60, step=10_000), BED, 0, 10 * MINUTE).findings == ()

    def test_stuck(self):
        stuck = replace(BED, stuck_ms=30 * MINUTE)
        values = [206.0, 206.1] * 10 + [206.5] * 32 + [206.0, 206.1] * 10
        found = judged(values, stuck)
        (finding,) = found.findings
        assert (finding.kind, finding.from_ms, finding.to_ms) == (FindingKind.STUCK, 20 * MINUTE, 51 * MINUTE + 1)
        assert (found.outcome, found.suspect) == (Outcome.NOT_PROVEN, ((20 * MINUTE, 51 * MINUTE + 1),))
        assert judged([206.0, *[206.5] * 31, 206.0], stuck).findings == ()
        # Nobody knows what it did in a gap.
        assert judged([*[206.5] * 20, *[None] * 10, *[206.5] * 20], stuck).findings == ()
        assert judged(values, BED).findings == ()

    def test_wrong_unit(self):
        """205 degrees C are 401 F: above any least value, and no measurement in degrees C."""
        bounded = replace(BED, physical_least=-20.0, physical_most=350.0)
        assert judged([401.0] * 20).outcome is Outcome.KEPT
        found = judged([401.0] * 20, bounded)
        assert kinds(found) == [FindingKind.WRONG_UNIT]
        assert (found.outcome, found.statistics, found.gaps) == (Outcome.NOT_PROVEN, None, (Gap(0, 20 * MINUTE),))
        assert (found.findings[0].samples, found.findings[0].highest) == (20, 401.0)

    @pytest.mark.parametrize("nothing", [math.nan, math.inf, -math.inf])
    def test_no_number(self, nothing):
        found = judged([206.0] * 5 + [nothing] * 6 + [206.0] * 5)
        assert kinds(found) == [FindingKind.NO_NUMBER]
        assert (found.findings[0].from_ms, found.findings[0].samples) == (5 * MINUTE, 6)
        assert (found.gaps, found.outcome) == ((Gap(4 * MINUTE, 11 * MINUTE),), Outcome.NOT_PROVEN)
        assert judged([nothing] * 20).statistics is None

    def test_all_at_once_and_nothing_is_changed(self):
        series = SignalSeries.of(
            [0, MINUTE, MINUTE, 3 * MINUTE, 2 * MINUTE, 2 * MINUTE, 4 * MINUTE, 5 * MINUTE],
            [206.0, 207.0, 206.5, 208.0, 209.0, 209.0, math.nan, 900.0],
        )
        before = series.times_ms.copy(), series.values.copy()
        found = judge(series, replace(BED, physical_most=350.0), 0, 6 * MINUTE)
        assert sorted(kinds(found)) == sorted(
            [
                FindingKind.TWO_VALUES,
                FindingKind.OUT_OF_ORDER,
                FindingKind.SENT_TWICE,
                FindingKind.NO_NUMBER,
                FindingKind.WRONG_UNIT,
            ]
        )
        assert np.array_equal(series.times_ms, before[0])
        assert np.array_equal(series.values, before[1], equal_nan=True)
