"""Goal: of a line known by its least and greatest residence, the window and the complete set of feeds are right.

Method: literal cases. The overlapping wash windows were computed by hand for the plant's acceptance list; that
time windows with written residence times are accepted, and that a stop does not count, is common practice, no
source.
"""

import pytest

from service.core.apportion import SCALE
from service.core.line_window import BadWindow, Stops, discharge_window, feed_window, touches, window_shares
from service.core.vessel_book import Charge

MINUTE = 60 * 10**6
LEAST, GREATEST = 25 * MINUTE, 55 * MINUTE
NO_STOPS = Stops()


def at(clock):
    hours, minutes = clock.split(":")
    return (int(hours) * 60 + int(minutes)) * MINUTE


def clock(time_us):
    return None if time_us is None else f"{time_us // MINUTE // 60:02}:{time_us // MINUTE % 60:02}"


def feeds(*spans, dry_ug=1_000):
    return [Charge(place, at(start), at(end), dry_ug) for place, (start, end) in enumerate(spans, 1)]


def per_mille(sources):
    assert sum(weight for _, weight in sources.shares) + sources.unattributed == SCALE
    return {key: round(weight * 1000 / SCALE) for key, weight in sources.shares}


class TestOverlappingWashWindows:
    FEEDS = feeds(("08:30", "08:55"), ("08:55", "09:20"), ("09:20", "09:50"), ("09:50", "10:10"), ("10:10", "10:30"))
    A, B, C, D, E = range(1, 6)

    def test_feed_window(self):
        window = feed_window(at("10:00"), at("10:40"), LEAST, GREATEST, NO_STOPS)
        assert [clock(time) for time in window] == ["09:05", "10:15"]

    def test_may_contain_b_to_e_and_not_a(self):
        _, possible = window_shares(self.FEEDS, at("10:00"), at("10:40"), LEAST, GREATEST, NO_STOPS)
        assert possible == {self.B, self.C, self.D, self.E}

    def test_touching_is_not_overlapping(self):
        assert not touches(at("08:30"), at("09:05"), at("09:05"), at("10:15"))
        assert not touches(at("10:15"), at("10:30"), at("09:05"), at("10:15"))
        assert touches(at("10:15") - 1, at("10:30"), at("09:05"), at("10:15"))
        # A longer A, fed until the window opens, and a later E, fed from its close on.
        edges = feeds(("08:30", "09:05"), ("10:15", "10:30"))
        sources, possible = window_shares(edges, at("10:00"), at("10:40"), LEAST, GREATEST, NO_STOPS)
        assert (sources.unattributed, possible) == (SCALE, frozenset())

    def test_expected_shares_weigh_the_middle_of_the_window(self):
        """Weight of a minute: up from 09:05 to 09:35, level to 09:45, down to 10:15. Areas by minutes, of 40 in all:
        B 15**2 / 60 = 3.75; C 15 minutes at 0.5 to 1 = 11.25, 10 level, 5 at 1 to 5/6 = 4.583; D 20 at 5/6 to 1/6 =
        10; E 5**2 / 60 = 0.417. Each feed's 1,000 over its own 25, 30, 20 and 20 minutes: 150, 861.1, 500, 20.8.
        """
        sources, _ = window_shares(self.FEEDS, at("10:00"), at("10:40"), LEAST, GREATEST, NO_STOPS)
        assert per_mille(sources) == {self.B: 98, self.C: 562, self.D: 326, self.E: 14}

    def test_a_feed_counts_by_its_mass(self):
        both = [Charge(1, at("09:20"), at("09:50"), 3_000), Charge(2, at("09:20"), at("09:50"), 1_000)]
        sources, _ = window_shares(both, at("10:00"), at("10:40"), LEAST, GREATEST, NO_STOPS)
        assert per_mille(sources) == {1: 750, 2: 250}

    def test_the_other_way_round(self):
        assert discharge_window(at("08:30"), at("08:55"), LEAST, GREATEST, NO_STOPS) == (at("08:55"), at("09:50"))

    def test_nothing_was_fed(self):
        sources, possible = window_shares([], at("10:00"), at("10:40"), LEAST, GREATEST, NO_STOPS)
        assert (sources.shares, sources.unattributed, possible) == ((), SCALE, frozenset())

    def test_a_feed_without_mass_is_possible_and_has_no_share(self):
        empty = feeds(("09:20", "09:50"), dry_ug=0)
        sources, possible = window_shares(empty, at("10:00"), at("10:40"), LEAST, GREATEST, NO_STOPS)
        assert (sources.shares, sources.unattributed) == ((), SCALE)
        assert possible == {1}


class TestInstants:
    @pytest.mark.parametrize(
        ("fed", "is_inside"), [("09:04", False), ("09:05", True), ("10:14", True), ("10:15", False)]
    )
    def test_an_instant_counts_from_the_opening_until_before_the_close(self, fed, is_inside):
        sources, possible = window_shares(feeds((fed, fed)), at("10:00"), at("10:40"), LEAST, GREATEST, NO_STOPS)
        assert possible == ({1} if is_inside else frozenset())
        # At the very edge of the window a feed is possible, and hardly expected.
        assert per_mille(sources) == ({1: 1_000} if is_inside else {})

    def test_a_residence_known_exactly(self):
        exactly = 40 * MINUTE
        fed = feeds(("09:00", "09:20"), ("09:20", "09:40"))
        for out, key in (("09:59", 1), ("10:00", 2), ("10:01", 2)):
            sources, possible = window_shares(fed, at(out), at(out), exactly, exactly, NO_STOPS)
            assert possible == {key}
            assert per_mille(sources) == {key: 1_000}

    def test_no_residence_at_all(self):
        assert feed_window(7, 9, 0, 0, NO_STOPS) == (7, 9)
        assert discharge_window(7, 9, 0, 0, NO_STOPS) == (7, 9)


class TestStops:
    NOON = Stops.of([(at("12:00"), at("14:00"))])

    @pytest.mark.parametrize(
        ("out", "expected"),
        [
            (("14:10", "14:30"), ("11:15", "14:05")),  # 10 minutes run since the stop: 45 before it
            (("14:00", "14:20"), ("11:05", "11:55")),
            (("14:40", "15:00"), ("11:45", "14:35")),
            (("15:00", "15:10"), ("14:05", "14:45")),
            (("11:30", "11:40"), ("10:35", "11:15")),
            # Filled across the stop: material stood in the line.
            (("11:50", "14:10"), ("10:55", "11:45")),
        ],
    )
    def test_feed_window_over_a_stop(self, out, expected):
        window = feed_window(at(out[0]), at(out[1]), LEAST, GREATEST, self.NOON)
        assert tuple(clock(time) for time in window) == expected

    def test_a_window_that_ends_at_the_stop_holds_all_of_it(self):
        """Fed at the edge, some time while the line stood: nobody can say that it is not in."""
        assert feed_window(at("14:55"), at("15:00"), LEAST, GREATEST, self.NOON)[0] == at("12:00")
        assert feed_window(at("14:20"), at("14:25"), LEAST, GREATEST, self.NOON)[1] == at("14:00")

    def test_discharge_window_over_a_stop(self):
        found = discharge_window(at("11:40"), at("11:50"), LEAST, GREATEST, self.NOON)
        assert found == (at("14:05"), at("14:45"))

    def test_shares_run_on_running_time(self):
        """The same as without a stop, once the clock is set back by it."""
        plain = feeds(("10:55", "11:20"), ("11:20", "11:50"), ("11:50", "12:00"), ("12:00", "12:10"))
        stopped = feeds(("10:55", "11:20"), ("11:20", "11:50"), ("11:50", "12:00"), ("14:00", "14:10"))
        expected = window_shares(plain, at("11:55"), at("12:40"), LEAST, GREATEST, NO_STOPS)
        assert window_shares(stopped, at("11:55"), at("14:40"), LEAST, GREATEST, self.NOON) == expected
        assert expected[1] == {1, 2, 3, 4}

    def test_stops_in_any_order_and_overlapping(self):
        tangled = Stops.of([(40, 60), (10, 20), (15, 30), (60, 70), (12, 13), (90, 90)])
        assert (tangled.starts, tangled.ends) == ((10, 40, 90), (30, 70, 90))
        assert [tangled.running(time) for time in (0, 10, 20, 30, 40, 55, 70, 100)] == [0, 10, 10, 10, 20, 20, 20, 50]
        assert (tangled.earliest(10), tangled.latest(10)) == (10, 30)
        assert (tangled.earliest(20), tangled.latest(20)) == (40, 70)
        assert (tangled.earliest(25), tangled.latest(25)) == (75, 75)

    def test_a_line_that_stands_for_good(self):
        stands = Stops.of([(at("12:00"), None), (at("12:30"), at("13:00"))])
        assert (stands.starts, stands.ends) == ((at("12:00"),), (None,))
        assert discharge_window(at("11:45"), at("11:50"), LEAST, GREATEST, stands) is None
        assert discharge_window(at("11:15"), at("11:50"), LEAST, GREATEST, stands) == (at("11:40"), None)
        assert discharge_window(at("10:15"), at("10:50"), LEAST, GREATEST, stands) == (at("10:40"), at("11:45"))
        # What came out while it stood had left before.
        assert feed_window(at("12:10"), at("12:20"), LEAST, GREATEST, stands) == (at("11:05"), at("11:35"))
        assert feed_window(at("12:10"), at("12:20"), 0, 0, stands) == (at("12:00"), at("12:20"))


class TestRefusals:
    def test_intervals_and_residence_the_wrong_way_round(self):
        for ask in (feed_window, discharge_window):
            with pytest.raises(BadWindow, match="the interval from 9 ends at 8, before its start"):
                ask(9, 8, 1, 2, NO_STOPS)
            with pytest.raises(BadWindow, match="residence from 3 to 2 microseconds: state 0 <= least <= greatest"):
                ask(8, 9, 3, 2, NO_STOPS)
            with pytest.raises(BadWindow, match="residence from -1 to 2"):
                ask(8, 9, -1, 2, NO_STOPS)
        with pytest.raises(BadWindow, match="residence from 3 to 2"):
            window_shares([], 8, 9, 3, 2, NO_STOPS)

    def test_a_stop_that_runs_backward(self):
        with pytest.raises(BadWindow, match="the stop from 9 ends at 8"):
            Stops.of([(1, 2), (9, 8)])
