"""One ticket: what is known of the truck, and the form for what comes next."""

from base64 import b64encode
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fastapi.responses import Response

from service.core.quantities import kg_text
from service.core.typed_lists import split_tags
from service.journal.entry import Entry
from service.journal.read import get_current
from service.pages.desk import AtDesk, Desk, PathId, page_router
from service.pages.forms import Form, Submission, Submitted, Typed, form_of, sentence
from service.pages.frame import kg_shown, page
from service.pages.gate import words
from service.pages.gate.new_truck import weighbridges
from service.pages.gate.own import own_delivery
from service.plant.tables import Material
from service.weighbridge.answer import delivery_out
from service.weighbridge.photo import PhotoRefused, stored_photo
from service.weighbridge.queries import load_of
from service.weighbridge.record_bales import record_bales, record_load_lot
from service.weighbridge.record_deduction import record_count
from service.weighbridge.record_delivery import reverse_delivery
from service.weighbridge.record_rejection import reject_bales
from service.weighbridge.record_remark import record_remark, withdraw_remark
from service.weighbridge.record_weighing import record_weighing
from service.weighbridge.schemas import BalesIn, CountIn, LoadLotIn, ReasonIn, RejectionIn, WeighingIn
from service.weighbridge.schemas_out import DeliveryOut, RemarkOut
from service.weighbridge.schemas_remark import RemarkIn
from service.weighbridge.statuses import DeliveryForm, RemarkKind, WeighingEntry, WeighingKind, WeighingOrigin

routes = page_router()
BALES_SHOWN_OPEN = 60


@dataclass(frozen=True)
class NextStep:
    """What the ticket waits for; `name` is the form that does it, '' when nothing is left."""

    name: str
    words: str


def next_step(ticket: DeliveryOut) -> NextStep:
    """The one thing to do next, so that nobody has to look for it."""
    kinds = {weighing.kind for weighing in ticket.weighings if weighing.origin == "own"}
    if ticket.is_reversed or ticket.decision == "rejected":
        return NextStep("", "Nothing more is to be done on this ticket.")
    if WeighingKind.GROSS not in kinds:
        return NextStep("gross", "Weigh the loaded truck.")
    if ticket.is_open:
        return NextStep("tare", "Weigh the empty truck.")
    if not ticket.bales:
        if ticket.form is DeliveryForm.BALES:
            return NextStep("bales", "Register the bales and print their tags.")
        return NextStep("load", "Register the load as one lot.")
    return NextStep("", "The ticket is complete.")


@routes.get("/gate/tickets/{delivery_id}")
def get_ticket(desk: AtDesk, delivery_id: PathId) -> Response:
    """A ticket."""
    return ticket_page(desk, delivery_id)


def ticket_page(desk: Desk, delivery_id: int, shown: Form | None = None) -> Response:
    """The ticket with every form on it; `shown` is the one that comes back with faults."""
    delivery = own_delivery(desk, delivery_id)
    ticket = delivery_out(desk.session, delivery)
    step = next_step(ticket)
    expected = ticket.note_count or ticket.counted
    return page(
        "gate/ticket.html",
        shown.status if shown else 200,
        desk=desk,
        place="/gate",
        ticket=ticket,
        material=get_current(desk.session, Material, delivery.material_id, "material"),
        state=words.ticket_state(ticket, is_reversed=ticket.is_reversed),
        step=step,
        scales=weighbridges(desk),
        words=words,
        kinds=RemarkKind,
        bales_shown_open=BALES_SHOWN_OPEN,
        gross=form_of("gross", shown),
        tare=form_of("tare", shown),
        again=form_of("again", shown),
        bales=form_of("bales", shown, count=None if expected is None or ticket.bales else str(expected)),
        load=form_of("load", shown),
        remark=form_of("remark", shown),
        count=form_of("count", shown),
        reject=form_of("reject", shown),
        reverse=form_of("reverse", shown),
        withdrawals={remark.id: form_of(f"withdraw-{remark.id}", shown) for remark in ticket.remarks},
        shown=shown.name if shown else "",
        # Drawn at the top: the form itself may be gone, as when somebody else was faster.
        refused=shown if shown and shown.is_refused else None,
    )


def _on_ticket(
    sent: Submission,
    delivery_id: int,
    form: str,
    read: Callable[[Typed], Any],
    verb: Callable[[Entry, int, Any], Any],
    names: dict[str, str] | None = None,
) -> Response:
    """Every form of a ticket: record it, and come back to the ticket."""
    own_delivery(sent.desk, delivery_id)
    return sent.run(
        form,
        read=read,
        verb=lambda entry, body: verb(entry, delivery_id, body),
        to=lambda _: f"/gate/tickets/{delivery_id}",
        again=lambda shown: ticket_page(sent.desk, delivery_id, shown),
        names=names,
    )


@routes.post("/gate/tickets/{delivery_id}/gross")
def post_gross(sent: Submitted, delivery_id: PathId) -> Response:
    """Weigh the loaded truck."""
    return _weigh(sent, delivery_id, "gross", lambda _: WeighingKind.GROSS)


@routes.post("/gate/tickets/{delivery_id}/tare")
def post_tare(sent: Submitted, delivery_id: PathId) -> Response:
    """Weigh the empty truck."""
    return _weigh(sent, delivery_id, "tare", lambda _: WeighingKind.TARE)


@routes.post("/gate/tickets/{delivery_id}/again")
def post_again(sent: Submitted, delivery_id: PathId) -> Response:
    """Weigh again: both readings stay, the later one counts."""
    return _weigh(sent, delivery_id, "again", lambda typed: typed.text("kind"))


def _ask_back_if_weighed(desk: Desk, delivery_id: int, form: str, typed: Typed) -> None:
    """A second tare from another tab or desk would count instead of the first, and nobody would have said so."""
    load = load_of(desk.session, own_delivery(desk, delivery_id))
    earlier = [row for row in load.weighings if row.kind == form and row.origin is WeighingOrigin.OWN]
    if earlier:
        words = f"There is a {form} reading of {kg_shown(kg_text(earlier[-1].mass_g))} kg already."
        typed.blame("mass_kg", f"{words} To weigh once more, use “Weigh again”; a mistyped figure is corrected.")


def _weigh(sent: Submission, delivery_id: int, form: str, kind: Callable[[Typed], str | None]) -> Response:
    def read(typed: Typed) -> WeighingIn:
        _ask_back_if_weighed(sent.desk, delivery_id, form, typed)
        return typed.body(
            WeighingIn,
            {
                "kind": kind(typed),
                "mass_kg": typed.kg("mass_kg"),
                "weighed_at": typed.moment("weighed_at") or sent.desk.now,
                "instrument": typed.text("scale"),
                "entry": WeighingEntry.MANUAL.value,
            },
        )

    return _on_ticket(sent, delivery_id, form, read, record_weighing, {"/instrument": "scale"})


@routes.post("/gate/tickets/{delivery_id}/bales")
def post_bales(sent: Submitted, delivery_id: PathId) -> Response:
    """Register all bales in one action."""

    def read(typed: Typed) -> BalesIn:
        tags = typed.read("tags", split_tags) or []
        count = typed.count("count")
        return typed.body(
            BalesIn,
            {
                "count": (len(tags) or None) if count is None else count,
                "tags": tags,
                "reason": typed.text("reason"),
            },
        )

    return _on_ticket(sent, delivery_id, "bales", read, record_bales)


@routes.post("/gate/tickets/{delivery_id}/load")
def post_load(sent: Submitted, delivery_id: PathId) -> Response:
    """Register a loose or packed load as one lot."""

    def read(typed: Typed) -> LoadLotIn:
        return typed.body(LoadLotIn, {"supplier_tag": typed.text("supplier_tag"), "note": typed.text("note")})

    return _on_ticket(sent, delivery_id, "load", read, record_load_lot)


@routes.post("/gate/tickets/{delivery_id}/remarks")
def post_remark(sent: Submitted, delivery_id: PathId) -> Response:
    """Say what was noticed, with a photo straight from the phone."""

    def read(typed: Typed) -> RemarkIn:
        photo = None
        if (upload := sent.posted.uploads.get("photo")) is not None:
            try:
                photo = b64encode(stored_photo(upload.content)).decode()
            except PhotoRefused as refused:
                typed.blame("photo", f"{sentence(refused.detail)} {refused.remedy}")
        return typed.body(
            RemarkIn,
            {
                "kind": typed.text("kind"),
                "lot": typed.text("lot"),
                "note": typed.text("note"),
                "photo_base64": photo,
            },
        )

    return _on_ticket(sent, delivery_id, "remark", read, record_remark, {"/photo_base64": "photo"})


@routes.post("/gate/tickets/{delivery_id}/remarks/{remark_id}/withdrawal")
def post_remark_withdrawal(sent: Submitted, delivery_id: PathId, remark_id: PathId) -> Response:
    """Take a remark back; it stays readable among the versions."""

    def verb(entry: Entry, ticket: int, body: ReasonIn) -> RemarkOut:
        return withdraw_remark(entry, ticket, remark_id, body)

    return _on_ticket(sent, delivery_id, f"withdraw-{remark_id}", reason_of, verb)


@routes.post("/gate/tickets/{delivery_id}/count")
def post_count(sent: Submitted, delivery_id: PathId) -> Response:
    """State what was counted."""

    def read(typed: Typed) -> CountIn:
        return typed.body(
            CountIn,
            {"counted": typed.count("counted"), "accept": typed.is_set("accept"), "reason": typed.text("reason")},
        )

    return _on_ticket(sent, delivery_id, "count", read, record_count)


@routes.post("/gate/tickets/{delivery_id}/rejection")
def post_rejection(sent: Submitted, delivery_id: PathId) -> Response:
    """Send bales, or all of it, back."""

    def read(typed: Typed) -> RejectionIn:
        whole, codes, where = typed.text("what") == "whole", typed.all("bales"), typed.text("where")
        if not whole and not codes:
            typed.blame("bales", "Tick the bales that go back, or choose the whole load.")
        return typed.body(
            RejectionIn,
            {
                "whole_load": whole,
                "bales": [] if whole else codes,
                "on_truck_at_tare": None if where is None else where == "truck",
                "rejected_at": typed.moment("rejected_at"),
                "reason": typed.text("reason"),
            },
        )

    return _on_ticket(sent, delivery_id, "reject", read, reject_bales, {"/on_truck_at_tare": "where"})


@routes.post("/gate/tickets/{delivery_id}/reversal")
def post_reversal(sent: Submitted, delivery_id: PathId) -> Response:
    """Reverse the ticket."""
    return _on_ticket(sent, delivery_id, "reverse", reason_of, reverse_delivery)


def reason_of(typed: Typed) -> ReasonIn:
    return typed.body(ReasonIn, {"reason": typed.text("reason")})
