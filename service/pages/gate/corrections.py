"""Correcting a ticket: a page with what stands there now, and the reason. The earlier version stays readable."""

from datetime import datetime
from typing import Any

from fastapi.responses import Response

from service.core.quantities import parse_kg
from service.core.typed import typed_kg_text
from service.pages.desk import AtDesk, Desk, PathId, page_router
from service.pages.forms import Form, Submitted, Typed, form_of
from service.pages.frame import page
from service.pages.gate import words
from service.pages.gate.new_truck import arriving_materials, upper
from service.pages.gate.own import own_delivery
from service.pages.gate.supplier import NEW, choices_for, supplier_meant
from service.weighbridge.answer import delivery_out
from service.weighbridge.history import versions_out
from service.weighbridge.record_correction import correct_delivery
from service.weighbridge.record_reading import correct_weighing
from service.weighbridge.schemas import CorrectionIn
from service.weighbridge.schemas_out import DeliveryOut
from service.weighbridge.schemas_reading import WeighingCorrectionIn

routes = page_router()
MINUTE = "%Y-%m-%dT%H:%M"  # what a datetime-local field holds


@routes.get("/gate/tickets/{delivery_id}/correction")
def get_correction(desk: AtDesk, delivery_id: PathId) -> Response:
    """The form with everything as it stands."""
    return correction_page(desk, delivery_id)


def correction_page(desk: Desk, delivery_id: int, shown: Form | None = None) -> Response:
    ticket = delivery_out(desk.session, own_delivery(desk, delivery_id))
    form = form_of("correct", shown, **stands(desk, ticket))
    return page(
        "gate/correction.html",
        shown.status if shown else 200,
        desk=desk,
        place="/gate",
        ticket=ticket,
        form=form,
        readings={one.id: form_of(f"reading-{one.id}", shown) for one in ticket.weighings},
        refused=shown if shown and shown.is_refused else None,
        choices=choices_for(desk, form),
        new_choice=NEW,
        materials=arriving_materials(desk),
        words=words,
    )


def stands(desk: Desk, ticket: DeliveryOut) -> dict[str, str | None]:
    """What the fields of the form hold before anybody types."""
    return {
        "supplier": ticket.supplier_name or ticket.supplier,
        "material": ticket.material,
        "note_no": ticket.note_no,
        "note_count": None if ticket.note_count is None else str(ticket.note_count),
        "note_mass_kg": None if ticket.note_mass_kg is None else typed_kg_text(parse_kg(ticket.note_mass_kg)),
        "order_no": ticket.order_no,
        "plate": ticket.plate,
        "driver": ticket.driver,
        "origin_country": ticket.origin_country,
        "arrived_at": f"{desk.local(ticket.arrived_at):{MINUTE}}",
    }


@routes.post("/gate/tickets/{delivery_id}/correction")
def post_correction(sent: Submitted, delivery_id: PathId) -> Response:
    """Record the next version of the ticket: only what was changed in the form."""
    desk = sent.desk
    ticket = delivery_out(desk.session, own_delivery(desk, delivery_id))
    return sent.run(
        "correct",
        read=lambda typed: correction_of(desk, typed, ticket),
        verb=lambda entry, body: correct_delivery(entry, delivery_id, body),
        to=lambda _: f"/gate/tickets/{delivery_id}",
        again=lambda form: correction_page(desk, delivery_id, form),
    )


def correction_of(desk: Desk, typed: Typed, ticket: DeliveryOut) -> CorrectionIn:
    """The fields that differ from what stands there; an emptied one is emptied in the record too.

    A form made before somebody else's correction would take that back unsaid, so it is shown again first.
    """
    before = stands(desk, ticket)
    if typed.text("version") != str(ticket.version):
        typed.blame("", "Somebody corrected this ticket meanwhile. Compare each field with it before you send this.")
    changed = {name for name, value in before.items() if (typed.text(name) or "") != (value or "")}
    fields: dict[str, Any] = {}
    emptied: dict[str, Any] = {}
    for name in sorted(changed):
        value = _read(desk, typed, name)
        if value is not None:
            fields[name] = value
        elif typed.text(name) is None:
            emptied[name] = None
    fields["reason"] = typed.text("reason")
    if not changed:
        typed.blame("", "Nothing in the form was changed.")
    return typed.body(CorrectionIn, fields, emptied=emptied)


def _read(desk: Desk, typed: Typed, name: str) -> str | int | datetime | None:
    if name == "supplier":
        meant = supplier_meant(desk, typed)
        if meant.new_name is not None:
            typed.blame("supplier", "Nobody in the books has this name. Register the supplier first, then correct.")
        return meant.code
    if name == "note_count":
        return typed.count(name)
    if name == "note_mass_kg":
        return typed.kg(name)
    if name == "arrived_at":
        return typed.moment(name)
    return upper(typed.text(name)) if name == "origin_country" else typed.text(name)


@routes.post("/gate/tickets/{delivery_id}/readings/{weighing_id}")
def post_reading(sent: Submitted, delivery_id: PathId, weighing_id: PathId) -> Response:
    """A reading was typed in wrongly: its next version, with the reason."""
    own_delivery(sent.desk, delivery_id)
    return sent.run(
        f"reading-{weighing_id}",
        read=lambda typed: typed.body(
            WeighingCorrectionIn, {"mass_kg": typed.kg("mass_kg"), "reason": typed.text("reason")}
        ),
        verb=lambda entry, body: correct_weighing(entry, delivery_id, weighing_id, body),
        to=lambda _: f"/gate/tickets/{delivery_id}",
        again=lambda form: correction_page(sent.desk, delivery_id, form),
    )


@routes.get("/gate/tickets/{delivery_id}/versions")
def get_versions(desk: AtDesk, delivery_id: PathId) -> Response:
    """Everything that was ever stated about a ticket: who, when, why."""
    return page(
        "gate/versions.html",
        desk=desk,
        place="/gate",
        ticket=delivery_out(desk.session, own_delivery(desk, delivery_id)),
        versions=versions_out(desk.session, delivery_id),
    )
