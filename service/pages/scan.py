"""The page behind a QR code: what is this, how much is it, may it be touched. For a phone, in words.

Everybody who finds a label can open it, so it names no supplier, no customer, no limit and not the written
cause of a hold. The answer is never cached: a hold placed a minute ago must be on it.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, assert_never

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from sqlmodel import Session

from service.core.codes import NotACode, normalise
from service.core.quantities import kg_text
from service.labels.tag import NOTICE, grouped_code, recycled_line
from service.lots.statuses import HoldSubject, LotKind, MassBasis
from service.web import Read

HERE = Path(__file__).parent
FIELD_LENGTH_MAX = 40  # a code with spaces and hyphens, and room for a slip

# Nothing inline and nothing from elsewhere, so escaped text that slips through still runs nothing.
PAGE_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
        "connect-src 'self'; font-src 'self'; media-src 'self' blob:; worker-src 'self'; "
        "manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), microphone=(), geolocation=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


@dataclass(frozen=True)
class Sources:
    """How many origin lots a lot may contain; counts only, so the page tells nobody whose they were.

    Parameters
    ----------
    bales : bales among them.
    deliveries : deliveries these bales and loose loads came in.
    others : origin lots that are no bales: loose, virgin, additive, opening stock.
    """

    bales: int
    deliveries: int
    others: int = 0


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

    def __post_init__(self) -> None:
        if (self.net_g is None) != (self.mass_basis is None):
            raise ValueError(
                f"lot {self.code}: expected a mass with its basis or neither, "
                f"got {self.net_g!r} g and {self.mass_basis!r}: read both from the same version"
            )


FindCard = Callable[[Session, str], LotCard | None]
"""Looks a lot up by its code in written form; None where there is no such lot."""


def pages_router(find_card: FindCard) -> APIRouter:
    """The scan page, the form for a typed code and the style sheet.

    Parameters
    ----------
    find_card : the only source of facts; these pages decide nothing but words.
    """
    routes = APIRouter(include_in_schema=False)
    style = (HERE / "static" / "site.css").read_bytes()
    style_url = f"/static/site.css?v={hashlib.sha256(style).hexdigest()[:12]}"
    templates = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )

    def page(template: str, status: int = 200, **words: object) -> HTMLResponse:
        html = templates.get_template(template).render(
            notice=NOTICE, style_url=style_url, field_length=FIELD_LENGTH_MAX, **words
        )
        return HTMLResponse(html, status, PAGE_HEADERS | {"Cache-Control": "no-store"})

    def not_found(typed: str, reason: str) -> HTMLResponse:
        return page("ask.html", 404, typed=typed[:FIELD_LENGTH_MAX], reason=reason)

    # A QR code holds capitals, a person types small letters; a path is case-sensitive, so both are served.
    # `:path` keeps a mistyped slash on this page in words instead of the machine-readable refusal.
    @routes.get("/L/{typed:path}")
    @routes.get("/l/{typed:path}")
    def get_scan_page(typed: str, session: Read) -> Response:
        """The answer to a scan."""
        try:
            code = normalise(typed)
        except NotACode as fault:
            return not_found(typed, as_sentence(fault))
        card = find_card(session, code)
        if card is None:
            return not_found(
                typed,
                f"No lot of this plant has the code {grouped_code(code)}. "
                "Compare it with the label; if it is right, the label is from another plant.",
            )
        return page(
            "lot.html",
            card=card,
            typed="",
            code_groups=grouped_code(card.code).split(" "),
            kind=kind_words(card.kind),
            net_kg=None if card.net_g is None else kg_text(card.net_g),
            basis=None if card.mass_basis is None else basis_words(card.mass_basis),
            holds=[hold_words(subject) for subject in dict.fromkeys(card.holds)],
            recycled=None if card.recycled_percent_text is None else recycled_line(card.recycled_percent_text),
            sources=None if card.sources is None else sources_words(card.sources),
            answered_at=f"{card.answered_at:%Y-%m-%d %H:%M %Z}",
        )

    @routes.get("/scan")
    def get_scan(code: Annotated[str, Query()] = "") -> Response:
        """The form for a typed code; with a code in it, the way to its page."""
        if not code.strip():
            return page("ask.html", typed="", reason="")
        try:
            known_form = normalise(code)
        except NotACode as fault:
            return not_found(code, as_sentence(fault))
        return RedirectResponse(f"/L/{known_form}", 303, PAGE_HEADERS)

    @routes.get("/static/site.css")
    def get_style() -> Response:
        """The style sheet; its address changes with its content, so it may be kept for ever."""
        kept = {"Cache-Control": "public, max-age=31536000, immutable"}
        return Response(style, media_type="text/css", headers=PAGE_HEADERS | kept)

    return routes


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
    assert_never(subject)


def sources_words(sources: Sources) -> str:
    """Where a lot came from, in counts.

    Examples
    --------
    >>> sources_words(Sources(bales=95, deliveries=2, others=1))
    'Made from 95 bales of 2 deliveries and 1 lot that is no bale'
    """
    parts = []
    if sources.bales:
        bales = _counted(sources.bales, "bale", "bales")
        parts.append(f"{bales} of {_counted(sources.deliveries, 'delivery', 'deliveries')}")
    if sources.others:
        parts.append(_counted(sources.others, "lot that is no bale", "lots that are no bales"))
    return f"Made from {' and '.join(parts)}" if parts else "Nothing recorded that it was made from"


def _counted(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"
