"""The page of a lot."""

from typing import assert_never

from fastapi import Response
from markupsafe import Markup

from service.core.quantities import dry_kg_text, kg_text, percent_half_up
from service.labels.tag import recycled_line
from service.lineage.trace import percent_text
from service.lots.moisture import ppm_of
from service.lots.queries import get_lot
from service.lots.statuses import LotOrigin, MeasurementBasis
from service.lots.tables import Measurement
from service.pages.desk import Desk
from service.pages.floor.words import verdict_words
from service.pages.forms import Form, form_of
from service.pages.frame import page
from service.pages.lots.drawing import further_suppliers, sources_drawn
from service.pages.lots.paper import paper_of
from service.pages.lots.view import LotView, lot_view
from service.pages.scan import basis_words, kind_words
from service.papers.record import RECORDED_KINDS

CAUSES_OFFERED = ("Wrong material", "Odour", "Wet", "Foreign matter", "Laboratory result open", "Label does not fit")


def lift_form(hold_id: int) -> str:
    """Name of the form that lifts a hold: a page may have several."""
    return f"lift-{hold_id}"


def lot_page(desk: Desk, code: str, form: Form | None = None) -> Response:
    """The page of a lot, with the form that was refused if there is one.

    Raises
    ------
    NotFound : no lot of this installation has the code.
    """
    view = lot_view(desk, get_lot(desk.session, code))
    may_lift = {hold.hold_id for hold in view.holds if hold.placed_by_id != desk.actor_id}
    lifts = {hold_id: form_of(lift_form(hold_id), form) for hold_id in may_lift}
    drawn = {"hold", *(lift.name for lift in lifts.values())}
    return page(
        "lots/lot.html",
        form.status if form else 200,
        desk=desk,
        place="/lots",
        view=view,
        kind=kind_words(view.lot.kind),
        basis=None if view.basis is None else basis_words(view.basis),
        masses=masses_shown(view),
        recycled=recycled_line(percent_text(view.trace.post_consumer_fraction())),
        flow=drawn_sources(view),
        further_suppliers=further_suppliers,
        moisture=None if view.moisture is None else moisture_words(view.moisture),
        paper=paper_of(view.lot, view.account),
        has_records=view.lot.kind in RECORDED_KINDS,
        is_made_here=view.lot.origin is LotOrigin.PROCESS,
        basis_words=basis_words,
        verdict_words=verdict_words,
        hold_form=form_of("hold", form),
        lifts=lifts,
        # A hold that was lifted meanwhile has no form any more that could say so.
        stray=form if form is not None and form.name not in drawn else None,
        causes=CAUSES_OFFERED,
    )


def drawn_sources(view: LotView) -> Markup:
    """The drawing of the sources; nothing for a lot that is itself an origin."""
    if view.sources is None:
        return Markup()
    mass_g = view.account.mass_g
    return sources_drawn(view.sources, view.lot.code, "no mass yet" if mass_g is None else f"{kg_text(mass_g)} kg")


def masses_shown(view: LotView) -> dict[str, str]:
    """Masses of a lot in kilograms by what they are called; what is not known is left out."""
    account = view.account
    if account.mass_g is None:
        return {}
    found = {"Net mass": kg_text(account.mass_g), "On hand": kg_text(account.on_hand_g)}
    if view.dry_ug is not None:
        found["Dry mass"] = dry_kg_text(view.dry_ug)
    if account.origin is not None and account.origin.tie_g:
        found["Wire or straps on it"] = kg_text(account.origin.tie_g)
    return found


def moisture_words(measured: Measurement) -> str:
    """A moisture with how well it is known: it is never shown without."""
    percent = percent_half_up(ppm_of(measured), 1_000_000)
    return f"{percent} %, {moisture_basis_words(measured.basis)}"


def moisture_basis_words(basis: MeasurementBasis) -> str:
    match basis:
        case MeasurementBasis.DEFAULT:
            return "the plant's default, nothing was measured"
        case MeasurementBasis.PROVISIONAL:
            return "provisional"
        case MeasurementBasis.MEASURED:
            return "measured"
    assert_never(basis)
