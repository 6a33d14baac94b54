"""Goal: times through a vessel are found by cumulative mass, whatever the rates did meanwhile.

Method: literal cases. The two of the reactor tower (its window and its excursion) were computed by hand for
the plant's acceptance list; a spread of 10 % of the hold-up is common practice, no source. Random books are
compared with a parcel queue in `tests/property/test_flow_laws`.
"""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from service.core.residence import BadInterval, discharged_ug, entry_window, suspect_discharge
from service.core.vessel_book import Charge, Draw, book_of
from service.core.vessel_ledger import FlowModel, Regime

KG = 10**9
HOUR = 3_600 * 10**6
FIFO = FlowModel(Regime.FIRST_IN_FIRST_OUT)
SPREAD = FlowModel(Regime.PLUG_FLOW, spread_ppm=100_000)
MIXED = FlowModel(Regime.WELL_MIXED)
TANKS = FlowModel(Regime.TANKS_IN_SERIES, tanks=5)


def us(text):
    return (datetime.fromisoformat(text).replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(
        microseconds=1
    )


def tower(since, until, *cuts):
    """30,000 kg standing, 1,500 kg/h through it, the discharge cut into lots at these times."""
    start, end = us(since), us(until)
    times = [start, *(us(cut) for cut in cuts), end]
    charges = [Charge(1, start, start, 30_000 * KG), Charge(2, start, end, (end - start) // HOUR * 1_500 * KG)]
    draws = [
        Draw(place, first, last, (last - first) * 1_500 * KG // HOUR)
        for place, (first, last) in enumerate(pairwise(times), 10)
    ]
    return book_of(charges, draws)


class TestEntryWindow:
    def test_reactor_window(self):
        book = tower("2026-03-08T00:00", "2026-03-12T00:00", "2026-03-10T06:00", "2026-03-10T14:00")
        window = entry_window(book, us("2026-03-10T06:00"), us("2026-03-10T14:00"), SPREAD)
        assert window == (us("2026-03-09T08:00"), us("2026-03-09T20:00"))
        assert entry_window(book, us("2026-03-10T06:00"), us("2026-03-10T14:00"), FIFO) == (
            us("2026-03-09T10:00"),
            us("2026-03-09T18:00"),
        )

    def test_a_stop_lengthens_the_time_and_not_the_mass(self):
        """1,000 kg stand; 100 kg/h in and out for 15 h; a stop of 10 h after the fifth."""
        charges = [Charge(1, 0, 0, 1_000), Charge(2, 0, 5 * HOUR, 500), Charge(3, 15 * HOUR, 25 * HOUR, 1_000)]
        draws = [Draw(9, 0, 5 * HOUR, 500), Draw(10, 15 * HOUR, 25 * HOUR, 1_000)]
        book = book_of(charges, draws)
        assert entry_window(book, 20 * HOUR, 24 * HOUR, FIFO) == (0, 4 * HOUR)
        # The spread of 100 either way reaches to the hour on each side; beyond the stop it is 100 kg again.
        assert entry_window(book, 22 * HOUR, 25 * HOUR, SPREAD) == (1 * HOUR, 16 * HOUR)

    def test_a_changed_rate_is_not_hold_up_over_the_present_rate(self):
        """1,000 kg stand and enter at 100 kg/h, then 400 kg/h: what leaves in hour 12 entered at the old rate."""
        charges = [Charge(1, 0, 0, 1_000), Charge(2, 0, 10 * HOUR, 1_000), Charge(3, 10 * HOUR, 20 * HOUR, 4_000)]
        draws = [Draw(9, 0, 10 * HOUR, 1_000), Draw(10, 10 * HOUR, 20 * HOUR, 4_000)]
        assert entry_window(book_of(charges, draws), 11 * HOUR, 12 * HOUR, FIFO) == (4 * HOUR, 8 * HOUR)

    def test_charges_at_an_instant_entered_then(self):
        book = book_of([Charge(1, 3, 3, 50), Charge(2, 7, 7, 50)], [Draw(9, 10, 20, 100)])
        assert entry_window(book, 10, 15, FIFO) == (3, 3)
        assert entry_window(book, 10, 20, FIFO) == (3, 7)

    def test_an_instant_draw_is_inside_where_it_begins_an_interval(self):
        book = book_of([Charge(1, 3, 3, 50), Charge(2, 7, 7, 50)], [Draw(9, 10, 10, 50), Draw(10, 11, 11, 50)])
        assert entry_window(book, 10, 11, FIFO) == (3, 3)
        assert entry_window(book, 11, 11, FIFO) == (7, 7)
        assert entry_window(book, 12, 20, FIFO) is None

    @pytest.mark.parametrize("model", [MIXED, TANKS])
    def test_a_vessel_that_mixes_gives_all_since_it_was_empty(self, model):
        book = tower("2026-03-08T00:00", "2026-03-12T00:00")
        start = us("2026-03-08T00:00")
        assert entry_window(book, us("2026-03-10T06:00"), us("2026-03-10T14:00"), model) == (
            start,
            us("2026-03-10T14:00"),
        )

    def test_an_overdrawn_book_bounds_nothing(self):
        charges = [Charge(1, 0, 0, 10), Charge(2, 2, 2, 10), Charge(3, 4, 4, 10)]
        book = book_of(charges, [Draw(9, 1, 1, 11), Draw(10, 5, 5, 10)])
        assert entry_window(book, 5, 5, FIFO) == (0, 4)
        assert entry_window(book_of(charges, [Draw(9, 1, 1, 10), Draw(10, 5, 5, 10)]), 5, 5, FIFO) == (2, 2)

    def test_nothing_left(self):
        """Before any charge, from an empty vessel, outside the book, while the line stood: answered, with nothing."""
        book = book_of([Charge(1, 5, 5, 10)], [Draw(9, 1, 2, 5), Draw(10, 6, 7, 10), Draw(11, 8, 9, 5)])
        for out_from, out_to in ((1, 2), (3, 4), (8, 9), (7, 8), (100, 200), (-5, 0)):
            assert entry_window(book, out_from, out_to, SPREAD) is None
        assert entry_window([], 0, 1, FIFO) is None

    def test_an_interval_that_runs_backward(self):
        for ask in (entry_window, suspect_discharge):
            with pytest.raises(BadInterval, match="the interval from 5 ends at 4"):
                ask([], 5, 4, FIFO)
        with pytest.raises(BadInterval, match="the interval from 5 ends at 4"):
            discharged_ug([], 5, 4)


class TestSuspectDischarge:
    LOTS = ("2026-05-04T06:00", "2026-05-04T13:20", "2026-05-04T21:00", "2026-05-05T06:00", "2026-05-05T12:05")
    EXCURSION = us("2026-05-04T13:20"), us("2026-05-04T14:05")

    def test_reactor_excursion(self):
        book = tower("2026-05-03T00:00", "2026-05-06T00:00", *self.LOTS)
        start, end = us("2026-05-04T13:20"), us("2026-05-05T12:05")
        assert suspect_discharge(book, *self.EXCURSION, SPREAD) == (start, end)
        assert discharged_ug(book, start, end) == 34_125 * KG
        lots = [
            us(first) < end and us(last) > start
            for first, last in zip(self.LOTS, (*self.LOTS[1:], "2026-05-05T20:00"), strict=True)
        ]
        assert lots == [False, True, True, True, False]

    def test_without_a_spread_it_is_over_earlier(self):
        book = tower("2026-05-03T00:00", "2026-05-06T00:00")
        assert suspect_discharge(book, *self.EXCURSION, FIFO)[1] == us("2026-05-05T10:05")

    def test_a_book_that_ends_too_early_says_so(self):
        book = tower("2026-05-03T00:00", "2026-05-05T12:00")
        assert suspect_discharge(book, *self.EXCURSION, SPREAD) == (self.EXCURSION[0], None)
        assert suspect_discharge(book, *self.EXCURSION, FIFO)[1] == us("2026-05-05T10:05")

    @pytest.mark.parametrize("model", [MIXED, TANKS])
    def test_a_vessel_that_mixes_is_suspect_until_its_book_ends(self, model):
        book = tower("2026-05-03T00:00", "2026-05-30T00:00")
        assert suspect_discharge(book, *self.EXCURSION, model) == (self.EXCURSION[0], None)

    @pytest.mark.parametrize("model", [FIFO, SPREAD, MIXED, TANKS])
    def test_a_rate_of_nought_for_ever(self, model):
        assert suspect_discharge(book_of([Charge(1, 0, 0, 10)], []), 1, 2, model) == (1, None)

    @pytest.mark.parametrize("model", [FIFO, SPREAD, MIXED, TANKS])
    def test_nothing_was_inside(self, model):
        book = book_of([Charge(1, 0, 0, 10), Charge(2, 8, 8, 10)], [Draw(9, 1, 2, 10), Draw(10, 9, 10, 10)])
        assert suspect_discharge(book, 4, 6, model) == (4, 4)
        assert suspect_discharge([], 4, 6, model) == (4, 4)

    def test_an_overdrawn_book_bounds_nothing(self):
        book = book_of([Charge(1, 0, 0, 10), Charge(2, 2, 2, 10)], [Draw(9, 1, 1, 11), Draw(10, 5, 5, 10)])
        assert suspect_discharge(book, 2, 3, FIFO) == (2, None)

    def test_instant_draws_count_as_their_microsecond(self):
        charges = [Charge(1, 0, 0, 10), Charge(2, 4, 4, 10)]
        draws = [Draw(9, 1, 1, 5), Draw(10, 3, 3, 5), Draw(11, 5, 5, 10)]
        assert suspect_discharge(book_of(charges, draws), 1, 2, FIFO) == (1, 4)
        # What is charged at the end of an excursion was not inside during it; at the moment of one it was.
        assert suspect_discharge(book_of(charges, draws), 2, 4, FIFO) == (2, 4)
        assert suspect_discharge(book_of(charges, draws), 4, 4, FIFO) == (4, 6)

    def test_a_stop_puts_the_end_off(self):
        charges = [Charge(1, 0, 0, 100), Charge(2, 0, 10, 100), Charge(3, 50, 70, 200)]
        draws = [Draw(9, 0, 10, 100), Draw(10, 50, 70, 200)]
        assert suspect_discharge(book_of(charges, draws), 4, 5, FIFO) == (4, 55)


def test_discharged_mass_of_a_part_of_a_draw():
    book = book_of([Charge(1, 0, 0, 100)], [Draw(9, 0, 10, 50), Draw(10, 10, 10, 7), Draw(11, 20, 30, 1_000)])
    # The last draw takes what is there, 43, as fast as it can.
    spans = ((2, 4), (10, 10), (0, 10), (0, 11), (15, 40), (21, 25), (-9, 99))
    assert [discharged_ug(book, *span) for span in spans] == [10, 7, 50, 57, 43, 0, 100]
