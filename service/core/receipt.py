"""From a weighed truck to bale masses and to the mass that is paid.

Three masses of one load are kept apart: physical (``material_net_g``), payable (``payable_g``) and
claimable (not here: it follows from balances). None is computed back from another.
Kept invariant: the bales of a delivery add up to its material net, to the gram.
"""

from collections.abc import Sequence
from enum import StrEnum
from typing import assert_never

from service.core.quantities import PPM, NotAFraction, divide_half_up, kg_text, require_fraction_ppm


class NetNotPositive(ValueError):
    """A mass that has to be above zero is not."""


class NegativeDeduction(ValueError):
    """A deduction that would add mass."""


class NothingToSpreadOver(ValueError):
    """Mass is left, but no piece (or not enough grams for each piece) to put it on."""


class WeighedExceedsTotal(ValueError):
    """The weighed pieces leave nothing for the others, or weigh more than the total."""


class PayableFormula(StrEnum):
    """How the contract with a supplier turns moisture above the allowance into a deduction."""

    ADDITIVE = "additive"
    DRY_EQUIVALENT = "dry_equivalent"


def material_net_g(gross_g: int, tare_g: int, deductions_g: Sequence[int] = ()) -> int:
    """Physical mass of the material on a truck: gross - tare - ties, pallets and other foreign mass.

    Parameters
    ----------
    gross_g, tare_g : int, grams
    deductions_g : sequence of int, grams, each >= 0
        Physical ones only. Moisture is no deduction here: it changes what is paid, not what is there.

    Raises
    ------
    NegativeDeduction
        If a deduction is below zero.
    NetNotPositive
        If nothing is left.

    Examples
    --------
    >>> material_net_g(39_860_000, 15_420_000, [48 * 1_500])
    24368000
    """
    for deduction_g in deductions_g:
        if deduction_g < 0:
            raise NegativeDeduction(f"a deduction may not be negative, got {kg_text(deduction_g)} kg")
    net_g = gross_g - tare_g - sum(deductions_g)
    if net_g <= 0:
        raise NetNotPositive(
            f"gross {kg_text(gross_g)} kg less tare {kg_text(tare_g)} kg less deductions "
            f"{kg_text(sum(deductions_g))} kg leaves {kg_text(net_g)} kg; expected more than zero: "
            "are gross and tare swapped?"
        )
    return net_g


def allocate_evenly(total_g: int, pieces: int) -> list[int]:
    """Equal estimate for each piece: the total divided, cut to the gram, the rest on the last piece.

    Raises
    ------
    NothingToSpreadOver
        If there is no piece, or less than one gram for each.

    Examples
    --------
    >>> allocate_evenly(100, 3)
    [33, 33, 34]
    """
    if pieces < 1 or total_g < pieces:
        raise NothingToSpreadOver(
            f"{kg_text(total_g)} kg cannot be spread over {pieces} pieces: "
            "each needs at least one gram; check count and net mass"
        )
    each_g = total_g // pieces
    return [each_g] * (pieces - 1) + [total_g - each_g * (pieces - 1)]


def respread(total_g: int, fixed: Sequence[int | None]) -> list[int]:
    """Piece masses after some pieces got a real weight: the others share what is left, evenly.

    Parameters
    ----------
    total_g : int, grams
        Material net of the delivery.
    fixed : sequence of int or None
        Per piece in their order: grams if weighed, None if estimated.

    Returns
    -------
    list of int
        Grams per piece in the same order; weighed ones unchanged, the sum exactly ``total_g``. The
        rounding rest lies on the last estimated piece.

    Raises
    ------
    NetNotPositive
        If a weighed piece is not above zero.
    WeighedExceedsTotal
        If the weighed pieces leave less than one gram for each estimated one, or exceed the total.
    NothingToSpreadOver
        If every piece is weighed and the sum falls short of the total. Real weights never meet the
        bridge's net to the gram, so the caller has to say where that difference is booked.

    Examples
    --------
    >>> respread(1000, [None, 400, None])
    [300, 400, 300]
    """
    for position, weighed_g in enumerate(fixed, start=1):
        if weighed_g is not None and weighed_g <= 0:
            raise NetNotPositive(f"piece {position} is said to weigh {kg_text(weighed_g)} kg; expected more than zero")
    weighed_total_g = sum(weighed_g for weighed_g in fixed if weighed_g is not None)
    estimated = sum(1 for weighed_g in fixed if weighed_g is None)
    rest_g = total_g - weighed_total_g
    weighed_text = f"the {len(fixed) - estimated} weighed pieces sum to {kg_text(weighed_total_g)} kg"
    if rest_g < estimated:
        raise WeighedExceedsTotal(
            f"{weighed_text} of {kg_text(total_g)} kg in total, which leaves {kg_text(rest_g)} kg "
            f"for the {estimated} not weighed; check the weights and the delivery's net"
        )
    if not estimated:
        if rest_g:
            raise NothingToSpreadOver(
                f"{weighed_text} of {kg_text(total_g)} kg in total and no piece is left "
                f"to carry the other {kg_text(rest_g)} kg"
            )
        return [weighed_g for weighed_g in fixed if weighed_g is not None]
    estimates = iter(allocate_evenly(rest_g, estimated))
    return [next(estimates) if weighed_g is None else weighed_g for weighed_g in fixed]


def payable_additive_g(material_g: int, moisture_ppm: int, allowance_ppm: int) -> int:
    """Payable mass when the points of moisture above the allowance are taken off.

    payable = material x (1 - max(0, moisture - allowance)); rounded once, half up to the gram.
    Drier than allowed earns no bonus.

    Raises
    ------
    NetNotPositive
        If the material is not above zero.
    NotAFraction
        If moisture or allowance lies outside 0 to 1.

    Notes
    -----
    Source : common practice, no source.

    Examples
    --------
    >>> payable_additive_g(24_368_000, 52_000, 20_000)
    23588224
    """
    _require_payable_inputs(material_g, moisture_ppm, allowance_ppm)
    return divide_half_up(material_g * (PPM - max(0, moisture_ppm - allowance_ppm)), PPM)


def payable_dry_equivalent_g(material_g: int, moisture_ppm: int, allowance_ppm: int) -> int:
    """Payable mass as if the load had arrived at exactly the allowed moisture.

    payable = material x (1 - moisture) / (1 - allowance), at most the material; rounded once, half up
    to the gram.

    Raises
    ------
    NetNotPositive
        If the material is not above zero.
    NotAFraction
        If moisture or allowance lies outside 0 to 1, or the allowance is 1 (it would allow pure water).

    Notes
    -----
    Source : common practice, no source.

    Examples
    --------
    >>> payable_dry_equivalent_g(24_368_000, 52_000, 20_000)
    23572310
    """
    _require_payable_inputs(material_g, moisture_ppm, allowance_ppm)
    if allowance_ppm == PPM:
        raise NotAFraction("expected a moisture allowance below 1, got 1: that would allow pure water")
    return min(material_g, divide_half_up(material_g * (PPM - moisture_ppm), PPM - allowance_ppm))


def payable_g(formula: PayableFormula, material_g: int, moisture_ppm: int, allowance_ppm: int) -> int:
    """Payable mass by the contract's formula, grams; raises as the formula's own function."""
    match formula:
        case PayableFormula.ADDITIVE:
            return payable_additive_g(material_g, moisture_ppm, allowance_ppm)
        case PayableFormula.DRY_EQUIVALENT:
            return payable_dry_equivalent_g(material_g, moisture_ppm, allowance_ppm)
        case _:
            assert_never(formula)


def _require_payable_inputs(material_g: int, moisture_ppm: int, allowance_ppm: int) -> None:
    if material_g <= 0:
        raise NetNotPositive(f"nothing can be paid for {kg_text(material_g)} kg; expected more than zero")
    require_fraction_ppm(moisture_ppm)
    require_fraction_ppm(allowance_ppm)
