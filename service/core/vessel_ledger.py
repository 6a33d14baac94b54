"""What a vessel that is never quite empty gives: which charges are in a draw, and in what shares.

Here: the ledger of one vessel (bay, silo, reactor) between two proven-empty events, as dated charges and
draws, read either as well mixed or as first in, first out. Not here: lots and their ancestors (`lineage`),
wet masses, measured levels, residence windows of a line.

Two answers, kept apart on purpose. The *shares* are the expected ones and follow the regime. The *possible*
charges are complete and follow the regime only where it is proven: a book that reaches zero is not an emptied
vessel.

Invariants: a draw's shares, its unattributed weight and its cut weight add up to SCALE exactly; a draw's
possible charges include every charge that has a share; content minus overdrawn mass is charged minus drawn.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from service.core.apportion import SCALE, apportion
from service.core.vessel_book import BadLine, Charge, Draw, Entry, book_of, layers_within

__all__ = [
    "SCALE",
    "BadLine",
    "Charge",
    "Draw",
    "DrawSources",
    "Regime",
    "UnknownDraw",
    "VesselContents",
    "contents",
    "had_begun",
    "possible_charges_of_draw",
    "sources_of_draw",
]


class UnknownDraw(ValueError):
    """The draw asked for is not among the draws of the vessel."""


class Regime(StrEnum):
    """How a vessel hands on what it holds.

    Source : trade practice, no source: silos mix unless designed and proved for mass flow.
    """

    WELL_MIXED = "well_mixed"
    FIRST_IN_FIRST_OUT = "first_in_first_out"


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
    regime: Regime,
    *,
    cut_off: int = 0,
    book: Sequence[Entry] | None = None,
) -> DrawSources:
    """Shares of a draw by charge: the expected ones, never a statement that a charge is absent.

    Well mixed: what enters mixes with all that is there; a charge of `m` in a content of `c` after it has
    the fraction `m / c` of what leaves until the next charge, and thins out with each later one. First in,
    first out: by cumulative mass. Lines at the same instant or in the same slice of time act together,
    charges before draws. A draw beyond the content leaves the vessel at zero and the missing mass
    unattributed; later charges do not repay it, since what was missing came from somewhere else. A draw of
    no mass has no shares: it is all unattributed.

    Parameters
    ----------
    charges, draws : all lines of the vessel since it was last proven empty, in any order
    draw_key : int, the draw asked for
    regime : how the vessel behaves
    cut_off : int per SCALE; well mixed only: once less than this is still unnamed the walk into the past
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
    if regime is Regime.WELL_MIXED:
        named, cut = _mixed_sources(book, asked, cut_off)
    else:
        ranges = [(book[place].out_from, book[place].out_to, weight) for place, weight in asked.items()]
        named, cut = _layered_sources(book, ranges), 0
    return DrawSources(tuple((key, named[key]) for key in sorted(named) if named[key]), unattributed, cut)


def possible_charges_of_draw(
    charges: Sequence[Charge],
    draws: Sequence[Draw],
    draw_key: int,
    regime: Regime,
    proven_first_in_first_out: bool,
) -> frozenset[int]:
    """Every charge that may be in a draw: complete, for holds and recalls, without any cut-off.

    All charges that had begun before the draw ended. Only a first-in-first-out vessel proven to be one on
    that date is narrowed, to the charges whose cumulative mass overlaps the draw's; and not if its book was
    overdrawn by then, because the missing mass shifts the cumulative mapping by an unknown amount.

    Raises
    ------
    UnknownDraw, BadLine
        As `sources_of_draw`.
    """
    draw = _the_draw(draws, draw_key)
    if regime is Regime.FIRST_IN_FIRST_OUT and proven_first_in_first_out and draw.dry_ug:
        book = book_of(charges, draws)
        mine = [place for place, entry in enumerate(book) if any(key == draw_key for key, _ in entry.drawn)]
        if not any(entry.missing_ug for entry in book[: mine[-1] + 1]):
            return _overlapping(book, [(book[place].out_from, book[place].out_to) for place in mine])
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
    regime: Regime,
    *,
    proven_first_in_first_out: bool = False,
) -> VesselContents:
    """What stands in the vessel just after the instant `at`, by charge, to the microgram.

    Running lines are cut at `at`, so in the middle of an overlapping charge and draw the answer is one step
    finer than the sources of the finished draw.

    Raises
    ------
    BadLine
        If a key occurs twice.
    """
    book = book_of(charges, draws, until=at)
    out_to, charged_to = book[-1].out_to, book[-1].charged_to
    content_ug = charged_to - out_to
    is_overdrawn = any(entry.missing_ug for entry in book)
    if regime is Regime.WELL_MIXED:
        named, _ = _mixed_sources(book, {len(book) - 1: SCALE} if content_ug else {}, 0)
    else:
        named = _layered_sources(book, [(out_to, charged_to, SCALE)])
    possible = frozenset(charge.key for charge in charges if had_begun(charge, Draw(0, at, at, 0)))
    if regime is Regime.FIRST_IN_FIRST_OUT and proven_first_in_first_out and not is_overdrawn:
        possible = _overlapping(book, [(out_to, charged_to)])
    keys = sorted(named)
    masses = apportion(content_ug, [named[key] for key in keys])
    return VesselContents(
        dry_ug=content_ug,
        by_charge=tuple((key, mass) for key, mass in zip(keys, masses, strict=True) if mass),
        overdrawn_dry_ug=sum(entry.missing_ug for entry in book),
        possible=possible,
    )


def _mixed_sources(book: Sequence[Entry], asked: Mapping[int, int], cut_off: int) -> tuple[dict[int, int], int]:
    """Name the charges behind the weight asked of each step, walking from the latest step into the past.

    Draws do not change a mixture, so only charges split what is still unnamed: into their own part and the
    heel's.
    """
    named: dict[int, int] = {}
    unnamed = 0
    earliest_asked = min(asked, default=0)
    for place in range(max(asked, default=-1), -1, -1):
        entry = book[place]
        unnamed += asked.get(place, 0)
        if unnamed and entry.charged_to > entry.charged_from:
            heel_ug = entry.charged_from - entry.out_from
            unnamed = _split(unnamed, entry, heel_ug, into=named)
        if place <= earliest_asked and unnamed < max(cut_off, 1):
            break
    return named, unnamed


def _layered_sources(book: Sequence[Entry], ranges: Iterable[tuple[int, int, int]]) -> dict[int, int]:
    """Name the charges behind ranges of positions (from, to, weight)."""
    named: dict[int, int] = {}
    for out_from, out_to, weight in ranges:
        layers = layers_within(book, out_from, out_to)
        weights = apportion(weight, [overlap_ug for _, overlap_ug in layers]) if layers else []
        for (layer, _), of_layer in zip(layers, weights, strict=True):
            _split(of_layer, layer, 0, into=named)
    return named


def _split(weight: int, entry: Entry, heel_ug: int, *, into: dict[int, int]) -> int:
    """Add a weight to the charges of one step by mass and return the part of the heel beside them."""
    of_heel, *parts = apportion(weight, [heel_ug, *(mass for _, mass in entry.charged)])
    for (key, _), part in zip(entry.charged, parts, strict=True):
        into[key] = into.get(key, 0) + part
    return of_heel


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
