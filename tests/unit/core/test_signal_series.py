"""Goal: a broken limit and a gap are each found and never averaged or bridged away.

Method: literal cases, worked out by hand; then random logs beside a judge that goes sample by sample in plain Python
and shares no line with the code. Limits and rules are invented (`signal_logs`).
"""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from signal_logs import BED, MELT, MINUTE, VACUUM, figures, judged, kinds, log

from service.core.series_findings import FindingKind
from service.core.signal_series import Gap, Outcome, Side, judge
from service.core.signals import BadParameter, BadSeries, Direction, SignalSeries


class TestExcursions:
    def test_an_average_inside_does_not_hide_a_dip(self):
        """Eight hours at 215 with 40 minutes at 190: the mean is 212.9."""
        found = judged([215.0] * 100 + [190.0] * 40 + [215.0] * 340)
        assert figures(found).mean > 205 < figures(found).time_weighted_mean
        assert found.outcome is Outcome.BROKEN
        (dip,) = found.excursions
        assert (dip.side, dip.from_ms, dip.to_ms, dip.extreme) == (Side.BELOW, 100 * MINUTE, 140 * MINUTE, 190.0)
        assert (dip.first_sample_ms, dip.last_sample_ms, dip.samples) == (100 * MINUTE, 139 * MINUTE, 40)
        assert figures(found).outside_ms == 40 * MINUTE == dip.duration_ms
        assert found.suspect == ((100 * MINUTE, 140 * MINUTE),)

    def test_bed_excursion_of_the_trade(self):
        """Below from 13:20 to 14:05 (the plant's acceptance list)."""
        found = judged([204.0 if 800 <= minute < 845 else 206.0 for minute in range(1440)])
        assert [(each.from_ms // MINUTE, each.to_ms // MINUTE) for each in found.excursions] == [(800, 845)]

    def test_equal_keeps_the_limit(self):
        assert judged([205.0] * 10).outcome is Outcome.KEPT
        assert judged([math.nextafter(205.0, 0)] + [205.0] * 9).outcome is Outcome.BROKEN
        assert judged([10.0] * 10, VACUUM).outcome is Outcome.KEPT
        assert judged([10.0] * 9 + [math.nextafter(10.0, 11)], VACUUM).outcome is Outcome.BROKEN

    def test_each_direction(self):
        assert [each.direction for each in (BED, VACUUM, MELT)] == list(Direction)
        assert judged([300.0] * 3).outcome is Outcome.KEPT
        assert judged([0.1] * 3, VACUUM).outcome is Outcome.KEPT
        found = judged([280] * 5 + [269] * 4 + [296, 298, 297] + [280] * 5, MELT)
        below, above = found.excursions
        assert (below.side, below.extreme, below.samples) == (Side.BELOW, 269, 4)
        assert (above.side, above.extreme, above.samples) == (Side.ABOVE, 298, 3)
        # From one side straight to the other: the stretches touch and no moment is lost between them.
        assert below.to_ms == above.from_ms
        assert found.suspect == ((5 * MINUTE, 12 * MINUTE),)

    def test_more_than_two_minutes(self):
        two, three = [280] * 5 + [300] * 2 + [280] * 5, [280] * 5 + [300] * 3 + [280] * 5
        brief = judged(two, MELT)
        assert (brief.outcome, brief.excursions, len(brief.brief)) == (Outcome.KEPT, (), 1)
        assert brief.statistics.outside_ms == 2 * MINUTE
        assert judged(three, MELT).outcome is Outcome.BROKEN
        assert judged(two, replace(MELT, minimum_ms=0)).outcome is Outcome.BROKEN

    def test_a_brief_one_whose_end_nobody_saw_counts(self):
        at_the_end = judged([280] * 5 + [300], MELT)
        assert at_the_end.excursions[0].is_open
        before_a_gap = judged([280] * 5 + [300] + [None] * 9 + [280] * 5, MELT)
        after_a_gap = judged([280] * 5 + [None] * 9 + [300] + [280] * 5, MELT)
        for found in (at_the_end, before_a_gap, after_a_gap):
            assert (found.outcome, len(found.excursions), found.brief) == (Outcome.BROKEN, 1, ())

    def test_a_bridged_silence_does_not_part_an_excursion_and_a_gap_does(self):
        assert len(judged([206, 200, None, None, 201, 206]).excursions) == 1
        parted = judged([206, 200, *[None] * 6, 201, 206])
        first, second = parted.excursions
        assert (first.from_ms, first.to_ms, first.is_open) == (MINUTE, 2 * MINUTE, True)
        assert (second.from_ms, second.to_ms, second.is_open) == (8 * MINUTE, 9 * MINUTE, True)
        assert parted.gaps == (Gap(MINUTE, 8 * MINUTE),)
        assert parted.suspect == ((MINUTE, 9 * MINUTE),)

    def test_what_is_outside_at_the_edges_reaches_them(self):
        found = judge(log([200.0] * 3, start=30_000), BED, 0, 4 * MINUTE)
        assert [(each.from_ms, each.to_ms) for each in found.excursions] == [(0, 4 * MINUTE)]


class TestGaps:
    def test_five_minutes_are_bridged_and_six_are_not(self):
        bridged = judged([206] * 3 + [None] * 4 + [206] * 3)
        assert (bridged.outcome, bridged.gaps, bridged.bridged, bridged.bridged_ms) == (
            Outcome.KEPT, (), 1, 5 * MINUTE,
        )  # fmt: skip
        gap = judged([206] * 3 + [None] * 5 + [206] * 3)
        assert (gap.outcome, gap.gaps) == (Outcome.NOT_PROVEN, (Gap(2 * MINUTE, 8 * MINUTE),))
        assert gap.suspect == ((2 * MINUTE, 8 * MINUTE),)

    def test_nothing_at_all_is_a_gap(self):
        found = judge(log([]), BED, 0, 60 * MINUTE)
        assert (found.outcome, found.gaps, found.statistics) == (Outcome.NOT_PROVEN, (Gap(0, 60 * MINUTE),), None)

    def test_the_ends_of_the_interval_count(self):
        found = judge(log([206] * 10, start=10 * MINUTE), BED, 0, 30 * MINUTE)
        assert found.gaps == (Gap(0, 10 * MINUTE), Gap(19 * MINUTE, 30 * MINUTE))

    def test_samples_outside_of_the_interval_are_left_out(self):
        found = judge(log([100] * 10 + [206] * 10 + [100] * 10), BED, 10 * MINUTE, 20 * MINUTE)
        assert (found.outcome, figures(found).samples) == (Outcome.KEPT, 10)

    def test_broken_is_said_before_not_proven_and_hides_nothing(self):
        found = judged([200.0, *[None] * 20, 206])
        assert (found.outcome, len(found.gaps), len(found.excursions)) == (Outcome.BROKEN, 1, 1)


class TestStatistics:
    def test_a_value_stands_until_the_next(self):
        """0 for 4 minutes and 10 for one: 2; the samples' own mean is 5. A gap gives the last value one minute."""
        log_of = SignalSeries.of([0, 4 * MINUTE], [0.0, 10.0])
        found = judge(log_of, replace(VACUUM, most=99), 0, 5 * MINUTE)
        shown = figures(found)
        assert (shown.mean, shown.time_weighted_mean, shown.minimum, shown.maximum) == (5.0, 2.0, 0.0, 10.0)
        gap = judge(SignalSeries.of([0, 10 * MINUTE], [0.0, 10.0]), replace(VACUUM, most=99), 0, 12 * MINUTE)
        assert figures(gap).time_weighted_mean == pytest.approx(20 / 3)
        assert figures(gap).covered_ms == 3 * MINUTE


def plain_judge(samples, least, most, from_ms, to_ms, bridge, interval, minimum):
    """Sample by sample: (excursions that count, brief ones, gaps) as plain tuples; of sorted, finite samples."""
    gaps: list[tuple[int, int]] = []
    stretches: list[dict[str, Any]] = []
    last = from_ms
    for time, value in [*samples, (to_ms, None)]:
        is_gap = time - last > bridge
        if is_gap:
            gaps.append((last, time))
        current = stretches[-1] if stretches and stretches[-1]["to"] is None else None
        side = None if value is None else "below" if value < least else "above" if value > most else None
        if current is not None:
            if is_gap or value is None:
                current["to"] = min(current["last"] + interval, time) if is_gap else time
                current["open"] = True
            elif side != current["side"]:
                current["to"] = time
            else:
                current["last"] = time
                current["extreme"] = (min if side == "below" else max)(current["extreme"], value)
        if side is not None and (not stretches or stretches[-1]["to"] is not None):
            start = from_ms if not samples.index((time, value)) and not is_gap else time
            stretches.append({"side": side, "from": start, "to": None, "last": time, "extreme": value, "open": is_gap})
        last = time
    shown = [
        (each["side"], each["from"], each["to"], each["extreme"], each["open"]
         or each["to"] - each["from"] > minimum)
        for each in stretches
    ]  # fmt: skip
    return [each[:4] for each in shown if each[4]], [each[:4] for each in shown if not each[4]], gaps


# Steps are whole minutes, so that no clock seems to have moved; levels lie below, inside and above the limits.
logs = st.lists(st.tuples(st.integers(1, 8), st.sampled_from([260.0, 269.0, 280.0, 280.5, 296.0, 310.0])), max_size=25)


@settings(max_examples=300, deadline=None)
@given(logs, st.integers(0, 9), st.integers(1, 9))
@example([], 0, 1)
@example([(1, 260.0)], 0, 1)
def test_a_judge_in_plain_python_says_the_same(steps, lead, tail):
    samples, time = [], lead * MINUTE
    for step, value in steps:
        samples.append((time, value))
        time += step * MINUTE
    end = (samples[-1][0] if samples else 0) + tail * MINUTE
    found = judge(SignalSeries.of([each[0] for each in samples], [each[1] for each in samples]), MELT, 0, end)
    counted, brief, gaps = plain_judge(samples, 270.0, 295.0, 0, end, 5 * MINUTE, MINUTE, 2 * MINUTE)

    def shown(excursions):
        return sorted((each.side.value, each.from_ms, each.to_ms, each.extreme) for each in excursions)

    assert shown(found.excursions) == sorted(counted)
    assert shown(found.brief) == sorted(brief)
    assert [(gap.from_ms, gap.to_ms) for gap in found.gaps] == gaps
    assert found.findings == ()


@settings(max_examples=100, deadline=None)
@given(logs, st.randoms(use_true_random=False))
def test_arrival_in_any_order_finds_the_same_excursions(steps, random):
    samples, time = [], 0
    for step, value in steps:
        samples.append((time, value))
        time += step * MINUTE
    mixed = samples * 2
    random.shuffle(mixed)
    end = time + MINUTE
    in_order = judge(SignalSeries.of(*(zip(*samples, strict=True) if samples else ([], []))), MELT, 0, end)
    shuffled = judge(SignalSeries.of(*(zip(*mixed, strict=True) if mixed else ([], []))), MELT, 0, end)
    assert (in_order.excursions, in_order.brief, in_order.gaps, in_order.statistics) == (
        shuffled.excursions, shuffled.brief, shuffled.gaps, shuffled.statistics,
    )  # fmt: skip
    assert (FindingKind.SENT_TWICE in kinds(shuffled)) == bool(samples)


class TestRefusals:
    @pytest.mark.parametrize(
        ("changed", "says"),
        [
            ({"least": None}, "no limit"),
            ({"least": 300.0, "most": 200.0}, "in order"),
            ({"least": math.nan}, "finite"),
            ({"physical_least": 206.0}, "check the unit"),
            ({"physical_most": 100.0}, "check the unit"),
            ({"interval_ms": 0}, "bridge at least"),
            ({"bridge_ms": 59_999}, "bridge at least"),
            ({"minimum_ms": -1}, "negative time"),
            ({"stuck_ms": 0}, "negative time"),
        ],
    )
    def test_parameters(self, changed, says):
        with pytest.raises(BadParameter, match=says):
            replace(BED, **changed)

    @pytest.mark.parametrize(
        ("times", "values", "says"),
        [
            ([1.5], [1.0], "whole milliseconds"),
            ([2**63], [1.0], "whole milliseconds"),
            ([1, 2], [1.0], "one value for each"),
            ([1], ["warm"], "not all numbers"),
            ([10**15], [1.0], "years 1 to 9999"),
        ],
    )
    def test_series(self, times, values, says):
        with pytest.raises(BadSeries, match=says):
            SignalSeries.of(times, values)

    def test_types_of_arrays(self):
        with pytest.raises(BadSeries, match="int64 and float64"):
            SignalSeries(np.array([1.0]), np.array([1.0]))

    def test_empty_interval(self):
        with pytest.raises(BadSeries, match="holds no time"):
            judge(log([206.0]), BED, 5, 5)

    def test_none_stands_for_no_value(self):
        assert kinds(judge(SignalSeries.of([0], [None]), BED, 0, MINUTE)) == [FindingKind.NO_NUMBER]
