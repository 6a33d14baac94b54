"""A truck at the gate: one form from the plate to the gross mass.

Its address holds the form's key, so going back to it after sending shows what was recorded instead of an
empty form that would record the truck twice.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from fastapi.responses import JSONResponse, RedirectResponse, Response

from service.core.quantities import kg_text
from service.journal.tables import site_of
from service.pages.desk import AtDesk, Desk, page_router
from service.pages.forms import Form, PostedIn, Submitted, Typed, new_key, recorded_under
from service.pages.frame import PAGE_HEADERS, kg_shown, page
from service.pages.gate.supplier import NEW, Meant, choices_for, supplier_meant
from service.plant.queries import list_current
from service.plant.statuses import InstrumentKind, MaterialForm
from service.plant.tables import Instrument, Material
from service.weighbridge.plate_guess import PlateGuess, last_delivery_with_plate
from service.weighbridge.record_delivery import record_delivery
from service.weighbridge.schemas import DeliveryIn
from service.weighbridge.statuses import DeliveryForm, WeighingEntry
from service.weighbridge.ticket_list import recent_suppliers

routes = page_router()
FORM_OF_LOAD = {MaterialForm.BALES: DeliveryForm.BALES, MaterialForm.LOOSE: DeliveryForm.LOOSE}
# In the order in which they come through a gate; by-products leave it.
ARRIVING = (
    MaterialForm.BALES,
    MaterialForm.LOOSE,
    MaterialForm.FLAKE,
    MaterialForm.VIRGIN,
    MaterialForm.ADDITIVE,
    MaterialForm.PELLETS,
)


def form_of_load(material: Material) -> DeliveryForm:
    return FORM_OF_LOAD.get(material.form, DeliveryForm.PACKED)


def arriving_materials(desk: Desk) -> Sequence[Material]:
    materials = [material for material in list_current(desk.session, Material) if material.form in ARRIVING]
    return sorted(materials, key=lambda material: (ARRIVING.index(material.form), material.name))


def weighbridges(desk: Desk) -> Sequence[Instrument]:
    """The truck scales of this plant."""
    return [
        scale
        for scale in list_current(desk.session, Instrument)
        if site_of(scale.id) == desk.site.site_no and scale.kind is InstrumentKind.WEIGHBRIDGE
    ]


@routes.get("/gate/new")
def get_new(_desk: AtDesk) -> Response:
    """Begin a ticket under a fresh address."""
    return RedirectResponse(f"/gate/new/{new_key()}", 303, PAGE_HEADERS | {"Cache-Control": "no-store"})


@routes.get("/gate/new/{key}")
def get_new_form(desk: AtDesk, key: str) -> Response:
    """The form for a truck, or what was recorded with it."""
    recorded = recorded_under(desk, key)
    if recorded is not None:
        return page("gate/recorded.html", desk=desk, place="/gate", ticket=recorded)
    return new_page(desk, Form("truck", key))


def new_page(desk: Desk, form: Form, known: PlateGuess | None = None) -> Response:
    return page(
        "gate/new.html",
        form.status,
        desk=desk,
        place="/gate",
        form=form,
        known=known and known_words(desk, known),
        suppliers=[name or code for code, name in recent_suppliers(desk.session, desk.site.site_no)],
        choices=choices_for(desk, form),
        new_choice=NEW,
        materials=arriving_materials(desk),
        scales=weighbridges(desk),
    )


@routes.post("/gate/new/{key}")
def post_new(sent: Submitted) -> Response:
    """Open the ticket."""
    desk = sent.desk
    return sent.run(
        "truck",
        read=lambda typed: truck_of(desk, typed),
        verb=record_delivery,
        to=lambda ticket: f"/gate/tickets/{ticket.id}",
        again=lambda form: new_page(desk, form),
        names={
            "/form": "material",
            "/gross/mass_kg": "gross_kg",
            "/gross/instrument": "scale",
            "/supplier_name": "supplier",
        },
    )


def truck_of(desk: Desk, typed: Typed) -> DeliveryIn:
    """The ticket that the form describes."""
    supplier = supplier_meant(desk, typed)
    material = next((one for one in arriving_materials(desk) if one.code == typed.text("material")), None)
    arrived_at = typed.moment("arrived_at") or desk.now
    if supplier == Meant() and "supplier" not in typed.faults:
        typed.blame("supplier", "Fill this in.")
    return typed.body(
        DeliveryIn,
        {
            "site": desk.site.code,
            "supplier": supplier.code,
            "supplier_name": supplier.new_name,
            "material": typed.text("material"),
            "form": None if material is None else form_of_load(material),
            "arrived_at": arrived_at,
            "plate": typed.text("plate"),
            "note_no": typed.text("note_no"),
            "note_count": typed.count("note_count"),
            "note_mass_kg": typed.kg("note_mass_kg"),
            "order_no": typed.text("order_no"),
            "driver": typed.text("driver"),
            "carrier": typed.text("carrier"),
            "origin_country": upper(typed.text("origin_country")),
            "gross": reading_of(typed, "gross_kg", arrived_at),
        },
    )


def reading_of(typed: Typed, name: str, weighed_at: datetime) -> dict[str, object] | None:
    """A reading somebody typed in, or None where the field is empty."""
    mass_kg = typed.kg(name)
    if mass_kg is None:
        return None
    return {
        "instrument": typed.text("scale"),
        "mass_kg": mass_kg,
        "weighed_at": weighed_at.isoformat(),
        "entry": WeighingEntry.MANUAL.value,
    }


def upper(text: str | None) -> str | None:
    return None if text is None else text.upper()


@dataclass(frozen=True)
class KnownPlate:
    """What the plate brings, ready to stand in the form."""

    supplier: str
    material: str
    carrier: str
    words: str


def known_words(desk: Desk, guess: PlateGuess) -> KnownPlate:
    words = f"Last here on {desk.local(guess.arrived_at):%Y-%m-%d}"
    if guess.tare_g is not None:
        words += f", tare {kg_shown(kg_text(guess.tare_g))} kg"
    supplier = guess.supplier_name or guess.supplier_code
    return KnownPlate(supplier, guess.material_code, guess.carrier_code or "", f"{words}.")


@routes.post("/gate/plate")
def post_plate(posted: PostedIn, desk: AtDesk) -> Response:
    """What is known of a plate, for the form's script. Posted, because an address would stand in server logs."""
    guess = last_delivery_with_plate(desk.session, desk.site.site_no, posted.one("plate")[:100])
    found = {} if guess is None else vars(known_words(desk, guess))
    return JSONResponse(found, headers=PAGE_HEADERS | {"Cache-Control": "no-store"})


@routes.post("/gate/new/{key}/plate")
def post_plate_without_script(sent: Submitted, key: str) -> Response:
    """The same without a script: the form comes back with what the plate brings filled in."""
    desk = sent.desk
    form = sent.shown_again("truck", {}, 200)
    guess = last_delivery_with_plate(desk.session, desk.site.site_no, form.value("plate")[:100])
    if guess is None:
        return new_page(desk, form)
    known = known_words(desk, guess)
    brought = {"supplier": known.supplier, "material": known.material, "carrier": known.carrier}
    values = dict(form.values) | {name: [value] for name, value in brought.items() if not form.value(name)}
    return new_page(desk, Form("truck", key, values), guess)
