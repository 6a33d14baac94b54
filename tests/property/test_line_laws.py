"""Laws of a continuous line with a least and a greatest residence, on random feeds, discharges and stops.

Goal: windows, shares and complete sets follow running time. Method: brute force, tick by tick, in exact
fractions: the ticks in which the line ran are listed, and every tick of feeding is paired with every tick of
discharge. Two ticks `d` apart are `d - 1` to `d + 1` apart by their moments, evenly on both sides: all of them
count if that lies within the residence, half of them at its edges.
"""

from fractions import Fraction

from hypothesis import assume, given
from hypothesis import strategies as st

from service.core.apportion import SCALE
from service.core.line_window import Stops, discharge_window, feed_window, touches, window_shares
from service.core.vessel_book import Charge

END = 60
spans = st.tuples(st.integers(0, END), st.integers(1, 20)).map(lambda span: (span[0], span[0] + span[1]))
stop_lists = st.lists(spans, max_size=3)
residences = st.tuples(st.integers(0, 10), st.integers(1, 20)).map(lambda times: (times[0], times[0] + times[1]))
feed_lists = st.lists(st.tuples(spans, st.integers(1, 1_000)), max_size=6).map(
    lambda drawn: [Charge(key, *span, mass) for key, (span, mass) in enumerate(drawn)]
)


def ticks_of(span: tuple[int, int], stops: list[tuple[int, int]]) -> list[int]:
    """Places, among all ticks in which the line ran, of those within a span."""
    ran = [tick for tick in range(-END, 3 * END) if not any(start <= tick < end for start, end in stops)]
    return [place for place, tick in enumerate(ran) if span[0] <= tick < span[1]]


def passing(fed: int, out: int, residence: tuple[int, int]) -> Fraction:
    """Part of what two ticks could exchange that is within the residence."""
    least, greatest = residence
    if out - fed in (least, greatest):
        return Fraction(1, 2)
    return Fraction(least < out - fed < greatest)


@given(feeds=feed_lists, out=spans, residence=residences, stops=stop_lists)
def test_shares_are_those_of_brute_force(feeds, out, residence, stops):
    least, greatest = residence
    out_ticks = ticks_of(out, stops)
    assume(out_ticks and all(ticks_of((feed.start, feed.end), stops) for feed in feeds))
    weights = {}
    for feed in feeds:
        fed_ticks = ticks_of((feed.start, feed.end), stops)
        met = sum((passing(fed, left, residence) for fed in fed_ticks for left in out_ticks), Fraction(0))
        weights[feed.key] = met * feed.dry_ug / len(fed_ticks)
    total = sum(weights.values())
    sources, possible = window_shares(feeds, out[0], out[1], least, greatest, Stops.of(stops))
    assert sum(weight for _, weight in sources.shares) + sources.unattributed == SCALE
    assert (sources.unattributed == SCALE) == (total == 0)
    found = dict(sources.shares)
    for feed in feeds:
        exact = weights[feed.key] / total if total else Fraction(0)
        assert abs(Fraction(found.get(feed.key, 0), SCALE) - exact) < Fraction(1, 10**25)
    really = {key for key, weight in weights.items() if weight}
    assert really <= possible
    if not stops:
        assert really == possible


@given(fed=spans, out=spans, residence=residences, stops=stop_lists)
def test_both_windows_know_every_passage(fed, out, residence, stops):
    """Whatever can pass is in the window of feeding and in that of discharge; without stops nothing else is."""
    least, greatest = residence
    met = any(passing(first, last, residence) for first in ticks_of(fed, stops) for last in ticks_of(out, stops))
    merged = Stops.of(stops)
    was_fed = touches(fed[0], fed[1], *feed_window(out[0], out[1], least, greatest, merged))
    window = discharge_window(fed[0], fed[1], least, greatest, merged)
    assert window is not None
    assert window[1] is not None
    comes_out = touches(out[0], out[1], window[0], window[1])
    assert (was_fed and comes_out) if met else True
    if not stops:
        assert was_fed == comes_out == met


@given(time=st.integers(-5, 120), stops=stop_lists)
def test_running_time_and_the_clock_fit_each_other(time, stops):
    merged = Stops.of(stops)
    running = merged.running(time)
    assert running == time - sum(any(start <= tick < end for start, end in stops) for tick in range(-5, time))
    earliest, latest = merged.earliest(running), merged.latest(running)
    assert earliest is not None
    assert latest is not None
    assert earliest <= time <= latest
    assert merged.running(earliest) == merged.running(latest) == running
    assert merged.running(earliest - 1) < running < merged.running(latest + 1)
