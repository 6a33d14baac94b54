"""What a vessel that is never quite empty gives: which charges are in a draw, and in what shares.

Here: the ledger of one vessel (bay, silo, reactor) between two proven-empty events, as dated charges and
draws, read by its stated flow (`flow_model`). Not here: lots and their ancestors (`lineage`), wet masses,
measured levels, questions of time (`residence`), continuous lines (`line_window`).

Two answers, kept apart on purpose. The *shares* are the expected ones and follow the regime. The *possible*
charges are complete and follow the regime only where it is proven: a book that reaches zero is not an emptied
vessel.

Invariants: a draw's shares, its unattributed weight and its cut weight add up to SCALE exactly; a draw's
possible charges include every charge that has a share; content minus overdrawn mass is charged minus drawn.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from service.core.apportion import SCALE, apportion
from service.core.flow_model import BadFlowModel, FlowModel, Regime
from service.core.mixing import heel_parts
from service.core.plug_flow import plug_contents, plug_sources, range_of_content, range_of_step
from service.core.tanks_in_series import tank_contents, tank_sources
from service.core.vessel_book import BadLine, Charge, Draw, Entry, book_of, divide_among_charges, layers_within

__all__ = [
    "SCALE",
    "BadFlowModel",
    "BadLine",
    "Charge",
    "Draw",
    "DrawSources",
    "FlowModel",
    "Regime",
    "UnknownDraw",
    "VesselContents",
    "content_by_charge",
    "contents",
    "had_begun",
    "possible_charges_of_draw",
    "sources_of_draw",
]


class UnknownDraw(ValueError):
    """The draw asked for is not among the draws of the vessel."""


@dataclass(frozen=True, slots=True)
class DrawSources:
    """Expected origin of one draw; `shares`, `unattributed` and `cut` sum to SCALE exactly.

    Parameters
    ----------
    shares : (charge key, weight per SCALE), by key; weights > 0
    unattributed : int per SCALE, drawn beyond what the book says was there
    cut : int per SCALE, from charges so old that the walk stopped before naming them
    """

    shares: tuple[tuple[int, int], ...]
    unattributed: int
    cut: int = 0


@dataclass(frozen=True, slots=True)
class VesselContents:
    """What stands in the vessel at one moment; `overdrawn_dry_ug` is the mass no charge explains so far.

    Parameters
    ----------
    dry_ug : int, micrograms dry, >= 0; the sum over `by_charge`
    by_charge : (charge key, micrograms dry), by key; masses > 0
    overdrawn_dry_ug : int, micrograms dry; `dry_ug - overdrawn_dry_ug` is charged minus drawn
    possible : keys of all charges that may still be present (complete)
    """

    dry_ug: int
    by_charge: tuple[tuple[int, int], ...]
    overdrawn_dry_ug: int
    possible: frozenset[int]


def sources_of_draw(
    charges: Sequence[Charge],
    draws: Sequence[Draw],
    draw_key: int,
    model: FlowModel,
    *,
    cut_off: int = 0,
    book: Sequence[Entry] | None = None,
) -> DrawSources:
    """Shares of a draw by charge: the expected ones, never a statement that a charge is absent.

    Well mixed: what enters mixes with all that is there; a charge of `m` in a content of `c` after it has
    the fraction `m / c` of what leaves until the next charge, and thins out with each later one, also while
    it is drawn from (`mixing`). First in, first out and plug flow: by cumulative mass (`plug_flow`). Tanks in
    series: by their distribution of residence (`tanks_in_series`). At one instant charges come before draws.
    A draw beyond the content leaves the vessel at zero and the missing mass unattributed; later charges do
    not repay it, since what was missing came from somewhere else. A draw of no mass has no shares: it is all
    unattributed.

    Parameters
    ----------
    charges, draws : all lines of the vessel since it was last proven empty, in any order
    draw_key : int, the draw asked for
    model : how the vessel behaves
    cut_off : int per SCALE; stirred tanks only: once less than this is still unnamed the walk into the past
        stops and reports it as `cut`; 0 names every charge
    book : `book_of(charges, draws)`, for those who ask about many draws of one vessel; None makes it here

    Raises
    ------
    UnknownDraw
        If no draw has that key.
    BadLine
        If a key occurs twice.
    """
    draw = _the_draw(draws, draw_key)
    if book is None:
        book = book_of(charges, draws)
    if draw.dry_ug == 0:
        return DrawSources((), SCALE)
    slices = [(place, mass) for place, entry in enumerate(book) for key, mass in entry.drawn if key == draw_key]
    weights = apportion(SCALE, [mass for _, mass in slices])
    asked: dict[int, int] = {}
    unattributed = 0
    for (place, _), weight in zip(slices, weights, strict=True):
        if weight:
            entry = book[place]
            asked[place], missing = apportion(weight, [entry.taken_ug, entry.missing_ug])
            unattributed += missing
    if model.is_stirred:
        named, cut = _mixed_sources(book, asked, 0, cut_off)
    elif model.keeps_order:
        named, cut = plug_sources(book, asked, model.spread_ppm), 0
    else:
        named, cut = tank_sources(book, asked, model.tanks, cut_off)
    return DrawSources(tuple((key, named[key]) for key in sorted(named) if named[key]), unattributed, cut)


def possible_charges_of_draw(
    charges: Sequence[Charge],
    draws: Sequence[Draw],
    draw_key: int,
    model: FlowModel,
    is_proven: bool,
    *,
    book: Sequence[Entry] | None = None,
) -> frozenset[int]:
    """Every charge that may be in a draw: complete, for holds and recalls, without any cut-off.

    All charges that had begun before the draw ended. Only a vessel that keeps order (first in, first out, or
    plug flow) and was proven to on that date is narrowed, to the charges whose cumulative mass overlaps the
    draw's, widened by the spread; and not if its book was overdrawn by then, because the missing mass shifts
    the cumulative mapping by an unknown amount.

    Parameters
    ----------
    charges, draws, draw_key, model, book : as for `sources_of_draw`
    is_proven : whether the regime was proven for the whole of the draw

    Raises
    ------
    UnknownDraw, BadLine
        As `sources_of_draw`.
    """
    draw = _the_draw(draws, draw_key)
    if model.keeps_order and is_proven and draw.dry_ug:
        if book is None:
            book = book_of(charges, draws)
        mine = [place for place, entry in enumerate(book) if any(key == draw_key for key, _ in entry.drawn)]
        if not any(entry.missing_ug for entry in book[: mine[-1] + 1]):
            return _overlapping(book, [range_of_step(book[place], model.spread_ppm) for place in mine])
    return frozenset(charge.key for charge in charges if had_begun(charge, draw))


def had_begun(charge: Charge, draw: Draw) -> bool:
    """Whether a charge had begun before a draw ended, so that some of it may be in there.

    The rule of `possible_charges_of_draw` for one pair, for those who ask from the other end: which draws may
    hold this charge? At the same instant a charge goes before a draw.
    """
    is_instant_at_end = charge.start == charge.end == draw.end == draw.start
    return charge.start < draw.end or is_instant_at_end


def contents(
    charges: Sequence[Charge],
    draws: Sequence[Draw],
    at: int,
    model: FlowModel,
    *,
    is_proven: bool = False,
) -> VesselContents:
    """What stands in the vessel just after the instant `at`, by charge, to the microgram.

    Running lines are cut at `at`; what they still bring or take after it is not in the answer.

    Raises
    ------
    BadLine
        If a key occurs twice.
    """
    book = book_of(charges, draws, until=at)
    is_overdrawn = any(entry.missing_ug for entry in book)
    possible = frozenset(charge.key for charge in charges if had_begun(charge, Draw(0, at, at, 0)))
    if model.keeps_order and is_proven and not is_overdrawn:
        possible = _overlapping(book, [range_of_content(book[-1], model.spread_ppm)])
    return VesselContents(
        dry_ug=book[-1].content_ug,
        by_charge=content_by_charge(book, model),
        overdrawn_dry_ug=sum(entry.missing_ug for entry in book),
        possible=possible,
    )


def content_by_charge(book: Sequence[Entry], model: FlowModel) -> tuple[tuple[int, int], ...]:
    """What stands in the vessel at the end of its book: (charge key, micrograms dry), by key; masses > 0."""
    content_ug = book[-1].content_ug
    if model.is_stirred:
        named, _ = _mixed_sources(book, {}, SCALE if content_ug else 0, 0)
    elif model.keeps_order:
        named = plug_contents(book, model.spread_ppm)
    else:
        named = tank_contents(book, model.tanks)
    keys = sorted(named)
    masses = apportion(content_ug, [named[key] for key in keys])
    return tuple((key, mass) for key, mass in zip(keys, masses, strict=True) if mass)


def _mixed_sources(
    book: Sequence[Entry], drawn: Mapping[int, int], standing: int, cut_off: int
) -> tuple[dict[int, int], int]:
    """Name the charges behind the weight drawn in each step and what stands at the end, walking into the past.

    Only charges split what is still unnamed: into their own part and the heel's.
    """
    named: dict[int, int] = {}
    unnamed = standing
    latest = len(book) - 1 if standing else max(drawn, default=-1)
    earliest_drawn = min(drawn, default=latest)
    for place in range(latest, -1, -1):
        entry = book[place]
        taken = drawn.get(place, 0)
        if taken + unnamed and entry.charged_to > entry.charged_from:
            of_taken, of_standing = heel_parts(entry)
            of_heel = (taken * of_taken + unnamed * of_standing) // SCALE
            divide_among_charges(taken + unnamed - of_heel, entry, into=named)
            unnamed = of_heel
        else:
            unnamed += taken
        if place <= earliest_drawn and unnamed < max(cut_off, 1):
            break
    return named, unnamed


def _overlapping(book: Sequence[Entry], ranges: Iterable[tuple[int, int]]) -> frozenset[int]:
    """Charges with mass in any of the ranges of positions."""
    return frozenset(
        key
        for out_from, out_to in ranges
        for layer, _ in layers_within(book, out_from, out_to)
        for key, mass in layer.charged
        if mass
    )


def _the_draw(draws: Iterable[Draw], draw_key: int) -> Draw:
    for draw in draws:
        if draw.key == draw_key:
            return draw
    raise UnknownDraw(f"draw {draw_key} is not among the draws of this vessel")
