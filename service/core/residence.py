"""Questions of time about one vessel: when did this enter, until when must what leaves be suspected?

Here: times found by cumulative mass over the vessel's book, never by dividing hold-up by a rate, so that stops
lengthen the time and changing rates bend it. Not here: shares and complete sets (`vessel_ledger`), and lines
that are known by minimum and maximum residence only (`line_window`).

Times are microseconds since 1970-01-01T00:00Z, to the nearest; intervals are half-open, and an instant is the
microsecond that begins with it. A book that was overdrawn, or a vessel that mixes, bounds nothing: then the
widest answer is given.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import islice

from service.core.flow_model import PPM, FlowModel
from service.core.vessel_book import Entry

__all__ = ["BadInterval", "discharged_ug", "entry_window", "suspect_discharge"]


NONE = Fraction(0)


class BadInterval(ValueError):
    """An interval that ends before it begins."""


@dataclass(frozen=True, slots=True)
class _Moment:
    """Positions (see `Entry`) charged and drawn up to one moment."""

    charged: Fraction
    out: Fraction

    def oldest(self, model: FlowModel) -> Fraction:
        """Position from which on what leaves at this moment may have entered."""
        return self.out - (self.charged - self.out) * model.spread_ppm / PPM

    def newest(self, model: FlowModel) -> Fraction:
        """Position up to which what leaves at this moment may have entered."""
        return self.out + (self.charged - self.out) * model.spread_ppm / PPM


def entry_window(book: Sequence[Entry], out_from: int, out_to: int, model: FlowModel) -> tuple[int, int] | None:
    """When what left in an interval had entered, widened by the spread.

    Parameters
    ----------
    book : of the vessel since it was last proven empty
    out_from, out_to : microseconds; equal for what left at one moment
    model : how the vessel behaves; unless it keeps order, all that had been charged by then counts

    Returns
    -------
    (from, to) or None
        None if nothing left then that the book knows of, as before the first charge. Equal where all of it
        entered at one instant.

    Raises
    ------
    BadInterval
        If the interval runs backward.
    """
    until = _end_of(out_from, out_to)
    ends = [moment for entry in _drawn_within(book, out_from, until) for moment in _ends(entry, out_from, until)]
    if not ends or ends[-1].out == ends[0].out:
        return None
    charged_by_then = ends[-1].charged
    if not model.keeps_order or _is_overdrawn(book, until):
        oldest, newest = Fraction(0), charged_by_then
    else:
        oldest = max(min(moment.oldest(model) for moment in ends), Fraction(0))
        newest = min(max(moment.newest(model) for moment in ends), charged_by_then)
    first = book[bisect_right(book, oldest, key=lambda entry: Fraction(entry.charged_to))]
    last = book[bisect_left(book, newest, key=lambda entry: Fraction(entry.charged_to))]
    return _time_of(first, oldest), _time_of(last, newest)


def suspect_discharge(book: Sequence[Entry], from_us: int, to_us: int, model: FlowModel) -> tuple[int, int | None]:
    """What leaves from the beginning of an excursion until the last of what was inside during it is out.

    Everything inside counts, also what entered last. Plug flow may hold back the last of it by the spread.

    Parameters
    ----------
    book : of the vessel since it was last proven empty, as far as it is known
    from_us, to_us : microseconds, the excursion
    model : how the vessel behaves

    Returns
    -------
    (from, to)
        `to` is None while some of it may still be inside where the book ends, as always in a vessel that
        mixes. Equal if the vessel held nothing during the excursion.

    Raises
    ------
    BadInterval
        If the interval runs backward.
    """
    inside_to = _moment_at(book, _end_of(from_us, to_us)).charged
    is_overdrawn = any(entry.missing_ug for entry in book)
    if not is_overdrawn and inside_to <= _moment_at(book, from_us).out:
        return from_us, from_us
    if is_overdrawn or not model.keeps_order:
        return from_us, None
    is_last = True
    for entry in reversed(list(_drawn_within(book, from_us, book[-1].end + 1))):
        first, last = _ends(entry, entry.start, entry.end)
        if last.oldest(model) < inside_to:
            return from_us, None if is_last else _end_of(entry.start, entry.end)
        if first.oldest(model) < inside_to:
            if not entry.is_slice:
                return from_us, entry.start + 1
            part = (inside_to - first.oldest(model)) / (last.oldest(model) - first.oldest(model))
            return from_us, round(entry.start + part * (entry.end - entry.start))
        is_last = False
    return from_us, None


def discharged_ug(book: Sequence[Entry], from_us: int, to_us: int) -> int:
    """Mass that left a vessel in an interval, micrograms dry, as far as it was there.

    Raises
    ------
    BadInterval
        If the interval runs backward.
    """
    until = _end_of(from_us, to_us)
    return round(_moment_at(book, until).out - _moment_at(book, from_us).out)


def _end_of(from_us: int, to_us: int) -> int:
    if to_us < from_us:
        raise BadInterval(f"the interval from {from_us} ends at {to_us}, before its start: correct one")
    return max(to_us, from_us + 1)


def _drawn_within(book: Sequence[Entry], from_us: int, until_us: int) -> Iterator[Entry]:
    """Steps in an interval whose draws found something."""
    for entry in islice(book, bisect_left(book, from_us, key=lambda entry: entry.end), None):
        if entry.start >= until_us:
            break
        if entry.taken_ug and _end_of(entry.start, entry.end) > from_us:
            yield entry


def _ends(entry: Entry, from_us: int, until_us: int) -> tuple[_Moment, _Moment]:
    """A step's draws at their beginning and end, within an interval; an instant's charges are in by then."""
    if not entry.is_slice:
        charged = Fraction(entry.charged_to)
        return _Moment(charged, Fraction(entry.out_from)), _Moment(charged, Fraction(entry.out_to))
    return _during(entry, max(entry.start, from_us)), _during(entry, min(entry.end, until_us))


def _during(entry: Entry, time_us: int) -> _Moment:
    part = Fraction(time_us - entry.start, entry.end - entry.start)
    charged = entry.charged_from + part * (entry.charged_to - entry.charged_from)
    # Once the vessel has run dry, only what comes in goes out.
    return _Moment(charged, min(entry.out_from + part * (entry.taken_ug + entry.missing_ug), charged))


def _moment_at(book: Sequence[Entry], time_us: int) -> _Moment:
    """Positions by all that happened before a time."""
    place = bisect_left(book, time_us, key=lambda entry: entry.end)
    if place == len(book):
        return _Moment(Fraction(book[-1].charged_to), Fraction(book[-1].out_to)) if book else _Moment(NONE, NONE)
    entry = book[place]
    if entry.is_slice:
        return _during(entry, time_us)
    return _Moment(Fraction(entry.charged_from), Fraction(entry.out_from))


def _time_of(entry: Entry, position: Fraction) -> int:
    """When the charges of a step reached a position."""
    part = (position - entry.charged_from) / (entry.charged_to - entry.charged_from)
    return round(entry.start + part * (entry.end - entry.start))


def _is_overdrawn(book: Sequence[Entry], until_us: int) -> bool:
    return any(entry.missing_ug for entry in book[: bisect_left(book, until_us, key=lambda entry: entry.start)])
