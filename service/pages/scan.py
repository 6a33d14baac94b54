"""The page behind a QR code: what is this, how much is it, may it be touched. For a phone, in words.

Everybody who finds a label can open it, so it names no supplier, no customer, no limit and not the written
cause of a hold; people of the plant see these, and what to do next. The answer is never cached: a hold placed
a minute ago must be on it.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, assert_never

from fastapi import APIRouter, Query
from fastapi.responses import RedirectResponse, Response
from sqlmodel import Session

from service.core.codes import NotACode, normalise
from service.core.quantities import kg_text
from service.core.typed_lists import code_in_address
from service.labels.tag import grouped_code, recycled_line
from service.lots.statuses import HoldSubject, LotKind, MassBasis
from service.pages.desk import Desk, Visitor, page_router
from service.pages.frame import PAGE_HEADERS, page
from service.pages.scan_picture import add_picture_routes
from service.web import Read

FIELD_LENGTH_MAX = 80  # a code with spaces and hyphens, or a whole scan address pasted


@dataclass(frozen=True)
class Sources:
    """How many origin lots a lot may contain; counts only, so the page tells nobody whose they were.

    Parameters
    ----------
    bales : bales among them.
    deliveries : deliveries these bales and loose loads came in.
    others : origin lots that are no bales: loose, virgin, additive, opening stock.
    is_wide : it may contain more than that: these are the ones of which a share is expected.
    """

    bales: int
    deliveries: int
    others: int = 0
    is_wide: bool = False


@dataclass(frozen=True)
class SupplierShare:
    """A supplier with its expected share, as words for a person."""

    name: str
    percent: str


@dataclass(frozen=True)
class HoldSeen:
    """A hold that reaches a lot.

    Parameters
    ----------
    on : what it was placed on; None for the lot itself.
    through : code of the lot through which it reaches this one; None where it lies on this one.
    placed_by_id, placed_by : who placed it, and may therefore not lift it.
    """

    hold_id: int
    cause: str
    on: str | None
    through: str | None
    placed_at: datetime
    placed_by_id: int
    placed_by: str


@dataclass(frozen=True)
class OpenRun:
    """A run going on now, into which a lot may be fed."""

    run_id: int
    step: str
    started_at: datetime


@dataclass(frozen=True)
class Inside:
    """What only people of the plant see of a lot, and what they can do with it next.

    Parameters
    ----------
    suppliers : the largest few.
    suppliers_left : how many more there are.
    runs : runs it may be fed into; none where a hold reaches it or nothing of it is left.
    paper : what can be printed for it, label or tag; None while it has no mass.
    """

    suppliers: tuple[SupplierShare, ...]
    suppliers_left: int
    holds: tuple[HoldSeen, ...]
    runs: tuple[OpenRun, ...]
    paper: str | None


@dataclass(frozen=True)
class LotCard:
    """What the public page says about one lot, as known when it is asked.

    Parameters
    ----------
    code : the lot's code in its written form.
    kind : what sort of thing it is.
    product : name of the material.
    net_g : net mass in grams, None while it has none.
    mass_basis : how the mass is known, None while there is none.
    site : name of the plant.
    made_on : day of the plant's calendar on which it was born.
    holds : what each open hold that reaches this lot was placed on; empty means none reaches it.
    recycled_percent_text : computed post-consumer share in percent, cut down; None where not computed.
    sources : None for a lot that is itself an origin.
    answered_at : when this was looked up, in the zone in which it shall be shown.
    inside : what only people of the plant see; None for everybody else.
    """

    code: str
    kind: LotKind
    product: str
    net_g: int | None
    mass_basis: MassBasis | None
    site: str
    made_on: date
    holds: tuple[HoldSubject, ...]
    recycled_percent_text: str | None
    sources: Sources | None
    answered_at: datetime
    inside: Inside | None = None

    def __post_init__(self) -> None:
        if (self.net_g is None) != (self.mass_basis is None):
            raise ValueError(
                f"lot {self.code}: expected a mass with its basis or neither, "
                f"got {self.net_g!r} g and {self.mass_basis!r}: read both from the same version"
            )


FindCard = Callable[[Session, str, Desk | None], LotCard | None]
"""Looks a lot up by its code in written form, for whoever stands at the page; None where there is no such lot."""


def pages_router(find_card: FindCard) -> APIRouter:
    """The scan page, and the page on which a label is looked up by camera, photo or typed code.

    Parameters
    ----------
    find_card : the only source of facts; these pages decide nothing but words.
    """
    routes = page_router()

    # A QR code holds capitals, a person types small letters; a path is case-sensitive, so both are served.
    # `:path` keeps a mistyped slash on this page in words instead of the machine-readable refusal.
    @routes.get("/L/{typed:path}")
    @routes.get("/l/{typed:path}")
    def get_scan_page(typed: str, session: Read, desk: Visitor) -> Response:
        """The answer to a scan."""
        try:
            code = normalise(typed)
        except NotACode as fault:
            return not_found(desk, typed, as_sentence(fault))
        card = find_card(session, code, desk)
        if card is None:
            return not_found(
                desk,
                typed,
                f"No lot of this plant has the code {grouped_code(code)}. "
                "Compare it with the label; if it is right, the label is from another plant.",
            )
        return card_page(desk, card)

    @routes.get("/scan")
    def get_scan(desk: Visitor, code: Annotated[str, Query()] = "") -> Response:
        """Camera, photo and the form for a typed code; with a code in the address, the way to its page."""
        if not code.strip():
            return page("ask.html", desk=desk, place="/scan", typed="", reason="", field_length=FIELD_LENGTH_MAX)
        try:
            known_form = code_in_address(code) or normalise(code)
        except NotACode as fault:
            return not_found(desk, code, as_sentence(fault))
        return RedirectResponse(f"/L/{known_form}", 303, PAGE_HEADERS)

    add_picture_routes(routes)
    return routes


def not_found(desk: Desk | None, typed: str, reason: str) -> Response:
    """What was typed or scanned leads to nothing: why, with the field to correct it in."""
    shown = typed[:FIELD_LENGTH_MAX]
    return page("ask.html", 404, desk=desk, place="/scan", typed=shown, reason=reason, field_length=FIELD_LENGTH_MAX)


def card_page(desk: Desk | None, card: LotCard) -> Response:
    """The card of a lot as a page."""
    return page(
        "lot.html",
        desk=desk,
        place="/scan",
        card=card,
        inside=card.inside,
        typed="",
        reason="",
        field_length=FIELD_LENGTH_MAX,
        code_groups=grouped_code(card.code).split(" "),
        kind=kind_words(card.kind),
        net_kg=None if card.net_g is None else kg_text(card.net_g),
        basis=None if card.mass_basis is None else basis_words(card.mass_basis),
        holds=[hold_words(subject) for subject in dict.fromkeys(card.holds)],
        recycled=None if card.recycled_percent_text is None else recycled_line(card.recycled_percent_text),
        sources=None if card.sources is None else sources_words(card.sources),
        zone=card.answered_at.tzinfo,
        answered_at=f"{card.answered_at:%Y-%m-%d %H:%M %Z}",
    )


def as_sentence(fault: NotACode) -> str:
    """What is wrong with a typed code, as a sentence for a person."""
    words = str(fault)
    return f"{words[0].upper()}{words[1:]}."


def kind_words(kind: LotKind) -> str:
    """What sort of thing a lot is."""
    match kind:
        case LotKind.BALE:
            return "Bale"
        case LotKind.LOOSE:
            return "Loose load"
        case LotKind.FLAKE:
            return "Flake lot"
        case LotKind.PELLETS:
            return "Pellet lot"
        case LotKind.BY_PRODUCT:
            return "By-product lot"
        case LotKind.VIRGIN:
            return "Virgin material"
        case LotKind.ADDITIVE:
            return "Additive"
        case LotKind.REWORK:
            return "Material for rework"
        case LotKind.CONTAINER:
            return "Container"
    assert_never(kind)


def basis_words(basis: MassBasis) -> str:
    """How a mass is known: it is never shown without."""
    match basis:
        case MassBasis.WEIGHED:
            return "weighed"
        case MassBasis.ALLOCATED:
            return "estimated: its part of a weighed load"
        case MassBasis.DECLARED:
            return "as declared, not weighed here"
    assert_never(basis)


def hold_words(subject: HoldSubject) -> str:
    """Category of a hold; the written cause may name people and partners and is not public."""
    match subject:
        case HoldSubject.LOT:
            return "A hold on this lot, or on a lot it may contain."
        case HoldSubject.DELIVERY:
            return "A hold on a delivery it may contain material from."
        case HoldSubject.PARTNER:
            return "A hold on all material of one supplier."
        case HoldSubject.VESSEL:
            return "A hold on what a vessel gave out in some time."
    assert_never(subject)


def sources_words(sources: Sources) -> str:
    """Where a lot came from, in counts.

    Examples
    --------
    >>> sources_words(Sources(bales=95, deliveries=2, others=1))
    'Made from 95 bales of 2 deliveries and 1 lot that is no bale'
    >>> sources_words(Sources(bales=1, deliveries=1, is_wide=True))
    'Made from 1 bale of 1 delivery; it may contain more, which its page says'
    """
    parts = []
    if sources.bales:
        bales = _counted(sources.bales, "bale", "bales")
        parts.append(f"{bales} of {_counted(sources.deliveries, 'delivery', 'deliveries')}")
    if sources.others:
        parts.append(_counted(sources.others, "lot that is no bale", "lots that are no bales"))
    if not parts:
        return "Nothing recorded that it was made from"
    made_from = f"Made from {' and '.join(parts)}"
    return f"{made_from}; it may contain more, which its page says" if sources.is_wide else made_from


def _counted(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"
