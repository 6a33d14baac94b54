"""How the floor says what its closed lists and figures mean."""

import re
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import assert_never

from service.core.doubt_verdict import DoubtVerdict
from service.core.mass_balance import Verdict
from service.core.measured import CauseKind
from service.core.quantities import UG_PER_KG, divide_half_up, fraction_text, grouped, parse_fraction, percent_half_up
from service.lots.statuses import Category, LotKind, Step
from service.pages.desk import Desk
from service.pages.forms import Form
from service.runs.schemas import RUN_STEPS

# What can come out of a step or a vessel, in the order in which a plant makes it.
KINDS_MADE = (
    LotKind.FLAKE,
    LotKind.PELLETS,
    LotKind.CONTAINER,
    LotKind.BY_PRODUCT,
    LotKind.REWORK,
    LotKind.LOOSE,
    LotKind.BALE,
)
# Up to which percentage of its capacity a vessel is called so; the limits lie half-way between the fractions.
LEVELS = (
    (5, "nearly empty"),
    (17, "about a tenth full"),
    (29, "about a quarter full"),
    (41, "about a third full"),
    (58, "about half full"),
    (70, "about two thirds full"),
    (90, "about three quarters full"),
)
_ISO_TIME = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d+)?(?:\+00:00|Z)")
# Names of the programs' interface inside a refusal, and what the field is called on these pages.
_ON_THE_PAGE = {"late_reason": "why it comes late", "internal_loop": "'goes back into this run'", "into_lot": "it"}


def step_words(step: Step) -> str:
    """A run of a step as people on the floor call it."""
    match step:
        case Step.LABEL_SEPARATION:
            return "Label separation"
        case Step.WASH:
            return "Wash batch"
        case Step.RINSE_AND_FLOTATION:
            return "Rinse and flotation"
        case Step.THERMAL_PREHEATING:
            return "Thermal preheating"
        case Step.FLAKE_SORTING:
            return "Flake sorting"
        case Step.DRYING:
            return "Drying"
        case Step.EXTRUSION:
            return "Extrusion run"
        case Step.CRYSTALLISING:
            return "Crystallising"
        case Step.REACTOR:
            return "Reactor run"
        case Step.BAGGING:
            return "Bagging"
        case Step.RESORTING:
            return "Re-sorting"
        case Step.REGRIND:
            return "Regrind"
        case Step.SPLIT:
            return "Split of a lot"
        case Step.MERGE:
            return "Merge of lots"
        case Step.PACKING:
            return "Packing"
        case Step.SHIPPING:
            return "Dispatch"
        case Step.VESSEL_PERIOD:
            return "Vessel"
        case Step.RETURN_TO_SUPPLIER:
            return "Return to the supplier"
        case Step.COUNT_CORRECTION:
            return "Stock count"
    assert_never(step)


def step_options() -> list[tuple[str, str]]:
    """The steps a run can be started of, in the order of the plant."""
    return [(step.value, step_words(step)) for step in Step if step in RUN_STEPS]


def category_words(category: Category) -> str:
    """What a line is to the balance of its run."""
    match category:
        case Category.FEED:
            return "fed"
        case Category.PRODUCT:
            return "product"
        case Category.BY_PRODUCT:
            return "by-product"
        case Category.WASTE:
            return "waste"
        case Category.LOSS:
            return "loss"
        case Category.TIES:
            return "wire or strap"
        case Category.INTERNAL_LOOP:
            return "goes round in this run"
    assert_never(category)


@dataclass(frozen=True)
class VerdictWords:
    """A verdict in words, with the name of its sign."""

    word: str
    sign: str


def verdict_words(verdict: Verdict) -> VerdictWords:
    match verdict:
        case Verdict.CLOSES:
            return VerdictWords("The balance closes", "level")
        case Verdict.LOSS_ABOVE_TOLERANCE:
            return VerdictWords("Loss above the tolerance", "down")
        case Verdict.GAIN_ABOVE_TOLERANCE:
            return VerdictWords("Gain above the tolerance", "up")
        case Verdict.NOTHING_IN:
            return VerdictWords("Nothing is booked as fed", "empty")
    assert_never(verdict)


def doubt_words(verdict: DoubtVerdict) -> str:
    """What measurement can say of an unexplained mass."""
    match verdict:
        case DoubtVerdict.WITHIN:
            return "Within the doubt of measurement"
        case DoubtVerdict.LOSS_BEYOND:
            return "A loss beyond the doubt of measurement"
        case DoubtVerdict.GAIN_BEYOND:
            return "A gain beyond the doubt of measurement"
    assert_never(verdict)


def cause_words(kind: CauseKind) -> str:
    """What makes a quantity doubtful."""
    match kind:
        case CauseKind.READING:
            return "single readings of scales"
        case CauseKind.SPAN:
            return "span of scales"
        case CauseKind.MOISTURE:
            return "moisture"
        case CauseKind.TARE:
            return "listed tares, ties, pallets"
        case CauseKind.ALLOCATION:
            return "bales not weighed one by one"
        case CauseKind.LEVEL:
            return "levels of vessels"
        case CauseKind.DENSITY:
            return "bulk density"
        case CauseKind.ESTIMATE:
            return "losses estimated, not weighed"
        case CauseKind.UNSTATED:
            return "masses without a scale"
    assert_never(kind)


def signed_kg(kg: str) -> str:
    """An unexplained mass with its sign and what the sign means.

    Examples
    --------
    >>> signed_kg("172.029"), signed_kg("-400.750"), signed_kg("0.000")
    ('+172.029 kg (loss)', '−400.750 kg (gain)', '0.000 kg')
    """
    if not kg.strip("-0."):
        return f"{kg.removeprefix('-')} kg"
    return f"−{kg[1:]} kg (gain)" if kg.startswith("-") else f"+{kg} kg (loss)"


def percent_of_fraction(fraction: str) -> str:
    """A fraction of the interface as a percentage to read.

    Examples
    --------
    >>> percent_of_fraction("0.045000"), percent_of_fraction("0.000000"), percent_of_fraction("0.0005")
    ('4.5 %', '0 %', '0.05 %')
    """
    digits = fraction_text(parse_fraction(fraction)).replace(".", "")
    shown = f"{int(digits[:-4])}.{digits[-4:]}".rstrip("0").removesuffix(".")
    return f"{shown} %"


def level_words(dry_ug: int, capacity_g: int) -> str:
    """How full a vessel is: dry content by the book against its capacity.

    Examples
    --------
    >>> level_words(0, 60_000_000), level_words(31 * 10**12, 60_000_000), level_words(61 * 10**12, 60_000_000)
    ('empty by the book', 'about half full (52 %)', 'more than it can hold (102 %): something is not booked')
    """
    if not dry_ug:
        return "empty by the book"
    percent = int(percent_half_up(dry_ug, capacity_g * 10**6, 0))
    shown = f"({percent} %)"
    if percent > 100:
        return f"more than it can hold {shown}: something is not booked"
    return f"{next((words for limit, words in LEVELS if percent < limit), 'nearly full')} {shown}"


def short_kg(dry_ug: int) -> str:
    """Dry kilograms to the nearest one, for a list."""
    return grouped(str(divide_half_up(dry_ug, UG_PER_KG)))


def clock(desk: Desk, moment: datetime) -> str:
    """A moment by the plant's clock."""
    return f"{desk.local(moment):%Y-%m-%d %H:%M}"


def span_text(desk: Desk, start_at: datetime, end_at: datetime | None, day: date | None = None) -> str:
    """When something happened; a day is named only where it is another one than the day before it, or than `day`."""
    start = desk.local(start_at)
    text = f"{start:%H:%M}" if start.date() == day else f"{start:%Y-%m-%d %H:%M}"
    if end_at is None:
        return text
    end = desk.local(end_at)
    return f"{text}–{end:{'%H:%M' if end.date() == start.date() else '%Y-%m-%d %H:%M'}}"


def for_people(form: Form, desk: Desk) -> Form:
    """A refused form with its refusals by the plant's clock, in the page's own words, each said once."""

    def local(found: re.Match[str]) -> str:
        return clock(desk, datetime.fromisoformat(found[0]))

    def plain(sentence: str) -> str:
        for name, shown in _ON_THE_PAGE.items():
            sentence = sentence.replace(name, shown)
        return _ISO_TIME.sub(local, sentence)

    faults = {name: list(dict.fromkeys(map(plain, words))) for name, words in form.faults.items()}
    return replace(form, faults=faults)
