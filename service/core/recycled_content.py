"""How much of a product is recycled, by each meaning the word has in law, and whether a contract's share is reached.

Three numerators, never one number for another (all as mass of dry plastic over the dry mass of the whole product):

===========================  =========================================================  ============================
numerator                    counts                                                     used by
===========================  =========================================================  ============================
``DECONTAMINATED``           post-consumer plastic that left a decontamination process  Regulation (EU) 2022/1616
``POST_CONSUMER``            plastic that was waste of consumers                        Directive (EU) 2019/904
``PRE_AND_POST_CONSUMER``    also waste of production, if not reclaimed in the process  ISO 14021
                             that made it
===========================  =========================================================  ============================

Rework has no origin of its own: it is made of what its lot was made of (``rework``), so it is neither counted as all
recycled nor twice. An origin nobody knows makes the content a bound from least to most, and not zero. What is lost is
lost of everything alike: the content is of what was mixed, not of what came out.

Here: bounds, percentages for a claim (cut down), contract shares, and the chain-of-custody model. Not here: the content
of a lot that was traced (``traced_content``), what a gain withholds (``mass_balance``).

What this does not decide: whether a claim may be made, which the law and the responsible person do; nor that a target
is met, since those of 2019/904 are averages over the bottles a Member State's market takes.

Source : Regulation (EU) 2022/1616, Art 2(6) (read in a copy that lacks parts). Whether virgin plastic fed to the
decontamination counts by its wording is unsettled: here it does not. Directive (EU) 2019/904, Art 6(5) (read in
German); Implementing Decision (EU) 2026/1425, text not read in full: second hand. ISO 14021, 7.8, and EN 15343:
formula and exclusions from memory, text not read. ISO 22095:2020, 3.3.2 and 3.3.3: second hand, quoting the clauses.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise

from service.core.quantities import PPM, NoDenominator, percent_cut_down

__all__ = [
    "Amount",
    "BadContent",
    "Bound",
    "Content",
    "CustodyModel",
    "Numerator",
    "Origin",
    "Reached",
    "content_of",
    "counted_ug",
    "custody_model",
    "reaches",
]


class BadContent(ValueError):
    """Masses or shares that no product has."""


class Numerator(StrEnum):
    """What counts as recycled; the table of the module says who asks for which."""

    DECONTAMINATED = "decontaminated"
    POST_CONSUMER = "post-consumer"
    PRE_AND_POST_CONSUMER = "pre- and post-consumer"


class Origin(StrEnum):
    """Where plastic came from before it entered the plant."""

    POST_CONSUMER = "post-consumer"
    PRE_CONSUMER = "pre-consumer"
    NOT_RECYCLED = "not recycled"  # virgin plastic, additives
    UNKNOWN = "unknown"


class Reached(StrEnum):
    """Whether a share is reached; not shown is neither."""

    YES = "reached"
    NO = "not reached"
    NOT_SHOWN = "not shown"


class CustodyModel(StrEnum):
    """Chain-of-custody models of ISO 22095 that a plant of this kind can show lot by lot."""

    SEGREGATED = "segregated"
    CONTROLLED_BLENDING = "controlled blending"


@dataclass(frozen=True, slots=True)
class Bound:
    """A fraction known to lie from `least` to `most`, 0..1; equal where all origins are known."""

    least: Fraction
    most: Fraction

    def __post_init__(self) -> None:
        if not 0 <= self.least <= self.most <= 1:
            raise BadContent(f"a share from {self.least} to {self.most} is none: give 0 <= least <= most <= 1")

    @property
    def is_exact(self) -> bool:
        return self.least == self.most

    @property
    def claim_percent_text(self) -> str:
        """The least in per cent with one decimal, cut down: what a claim may state at most."""
        return str(percent_cut_down(self.least.numerator, self.least.denominator))


_NONE, _ALL, _ANY = Bound(Fraction(0), Fraction(0)), Bound(Fraction(1), Fraction(1)), Bound(Fraction(0), Fraction(1))


@dataclass(frozen=True, slots=True)
class Content:
    """The three shares of a material; each counts no more than the one after it.

    Raises
    ------
    BadContent
        If less counts as pre- and post-consumer than as post-consumer, or as that than as decontaminated.
    """

    decontaminated: Bound
    post_consumer: Bound
    pre_and_post_consumer: Bound

    def __post_init__(self) -> None:
        ordered = (self.decontaminated, self.post_consumer, self.pre_and_post_consumer)
        for narrow, wide in pairwise(ordered):
            if narrow.least > wide.least or narrow.most > wide.most:
                raise BadContent(f"{narrow} counts more than {wide}, of which it is a part: correct one")

    @classmethod
    def of_origin(cls, origin: Origin, *, is_decontaminated: bool) -> "Content":
        """All of one origin.

        Parameters
        ----------
        is_decontaminated : whether it has left a decontamination process; of other than post-consumer plastic it
            changes nothing, so that decontaminated content never exceeds post-consumer content
        """
        post = _ALL if origin is Origin.POST_CONSUMER else _ANY if origin is Origin.UNKNOWN else _NONE
        both = _ALL if origin is Origin.PRE_CONSUMER else post
        return cls(post if is_decontaminated else _NONE, post, both)

    def of(self, numerator: Numerator) -> Bound:
        return {
            Numerator.DECONTAMINATED: self.decontaminated,
            Numerator.POST_CONSUMER: self.post_consumer,
            Numerator.PRE_AND_POST_CONSUMER: self.pre_and_post_consumer,
        }[numerator]


@dataclass(frozen=True, slots=True)
class Amount:
    """Some of a material that went into a product.

    Parameters
    ----------
    dry_ug : micrograms dry, >= 0
    content : of the material; of rework, that of the lot it came from, since it brings in nothing new
    """

    dry_ug: int
    content: Content

    def __post_init__(self) -> None:
        if self.dry_ug < 0:
            raise BadContent(f"{self.dry_ug} micrograms went in: give a mass from 0 on")


def content_of(amounts: Sequence[Amount]) -> Content:
    """Content of a mixture: for each numerator the counted mass over all mass, dry, exact.

    Parameters
    ----------
    amounts : all that went in: recycled plastic, virgin plastic, additives, rework

    Raises
    ------
    NoDenominator
        If nothing went in.

    Examples
    --------
    >>> recycled = Content.of_origin(Origin.POST_CONSUMER, is_decontaminated=True)
    >>> virgin = Content.of_origin(Origin.NOT_RECYCLED, is_decontaminated=False)
    >>> content_of([Amount(800, recycled), Amount(200, virgin)]).post_consumer.claim_percent_text
    '80.0'
    """
    total_ug = sum(amount.dry_ug for amount in amounts)
    if total_ug == 0:
        raise NoDenominator("nothing went in, so nothing of it is recycled: book the feeds first")

    def bound(numerator: Numerator) -> Bound:
        shares = [(amount.dry_ug, amount.content.of(numerator)) for amount in amounts]
        return Bound(
            sum((mass * share.least for mass, share in shares), Fraction(0)) / total_ug,
            sum((mass * share.most for mass, share in shares), Fraction(0)) / total_ug,
        )

    return Content(*(bound(numerator) for numerator in Numerator))


def counted_ug(bound: Bound, fed_ug: int, product_ug: int) -> int:
    """Mass of a product that counts, micrograms dry, cut down: its least share of what came out.

    What was lost took its part along. What came out beyond what went in is a gain and counts nothing.

    Raises
    ------
    BadContent
        If a mass is negative.

    Examples
    --------
    Of 800 kg recycled and 200 kg virgin 30 kg were lost: 776 kg count, 80.0 % of the product. The fed mass over the
    product's would be 82.5 %.

    >>> counted_ug(Bound(Fraction(8, 10), Fraction(8, 10)), 1_000, 970)
    776
    """
    if fed_ug < 0 or product_ug < 0:
        raise BadContent(f"{fed_ug} micrograms fed and {product_ug} made: give masses from 0 on")
    return int(bound.least * min(product_ug, fed_ug))


def reaches(bound: Bound, threshold_ppm: int) -> Reached:
    """Whether a share agreed on is reached, by the unrounded content; equal is enough.

    Parameters
    ----------
    threshold_ppm : parts per million of the dry mass, such as 300,000 for 30 %

    Raises
    ------
    BadContent
        If it lies outside 0 to a million.
    """
    if not 0 <= threshold_ppm <= PPM:
        raise BadContent(f"a share of {threshold_ppm} ppm is none: give 0 to 1,000,000")
    threshold = Fraction(threshold_ppm, PPM)
    if bound.least >= threshold:
        return Reached.YES
    return Reached.NO if bound.most < threshold else Reached.NOT_SHOWN


def custody_model(bound: Bound, known_within: Fraction = Fraction(0)) -> CustodyModel | None:
    """The model under which a share is claimed: kept apart from all else, or blended in a known proportion.

    Parameters
    ----------
    known_within : how far least and most may lie apart for the proportion to be known, such as the cut-off of a
        composition that was worked out in advance

    Returns
    -------
    None if the proportion is not known, as with an unknown origin: then neither can be shown. Models in which the
    proportion holds only on average, or in the books, are none for plastic that touches food, and are never given.

    Notes
    -----
    Source : ISO 22095:2020, 3.3.2 (nothing else is added) and 3.3.3 (known proportion in the output); second hand.
    That food contact leaves these two only: common practice, no source.
    """
    if bound.most - bound.least > known_within:
        return None
    return CustodyModel.SEGREGATED if bound.most == 1 else CustodyModel.CONTROLLED_BLENDING
