"""The start page of recalls: what is bad? One form per kind of source, so that exactly one can be asked about."""

from collections.abc import Mapping, Sequence
from urllib.parse import urlencode

from fastapi import Response
from fastapi.responses import RedirectResponse
from sqlmodel import col

from service.errors import DomainError, NotFound
from service.journal.read import current
from service.journal.tables import SITE_STEP, site_of
from service.pages.desk import Desk, Fields
from service.pages.forms import Form, Posted, Typed, Unfit, as_sent, faults_of
from service.pages.frame import PAGE_HEADERS, page
from service.pages.gate.tickets import ticket_no_typed
from service.partners.queries import list_partners, match_partners, names_of
from service.plant.tables import Equipment
from service.problems import status_of
from service.recall.queries import list_recalls
from service.recall.schemas import SourceIn
from service.recall.sources import asked_in
from service.weighbridge.ticket_list import list_deliveries

RECALLS_SHOWN = 20
KINDS = ("lot", "ticket", "supplier", "vessel")
# Which field shows what is wrong with a source of the interface.
NAMES = {"/vessel_id": "vessel", "/from": "begin", "/to": "end", "/partner": "supplier", "/delivery_id": "ticket"}
FIELDS_OF = {kind: {kind} for kind in KINDS} | {"vessel": {"vessel", "begin", "end", "inside"}}


def ask_page(desk: Desk, form: Form | None = None) -> Response:
    """What is bad, and the recalls there were."""
    forms = {kind: form if form is not None and form.name == kind else Form(kind, "") for kind in KINDS}
    partners = [partner for partner in list_partners(desk.session) if partner.is_supplier]
    names = names_of(desk.session, partners)
    recalls = list_recalls(desk.session, desk.site.site_no)
    return page(
        "recall/ask.html",
        form.status if form else 200,
        desk=desk,
        place="/recall",
        forms=forms,
        suppliers=sorted(names[partner.id] or partner.code for partner in partners),
        vessels=[(str(vessel.id), f"{vessel.name} ({vessel.code})") for vessel in _vessels(desk)],
        recalls=recalls[:RECALLS_SHOWN],
        left_out=len(recalls[RECALLS_SHOWN:]),
    )


def _vessels(desk: Desk) -> Sequence[Equipment]:
    first = desk.site.site_no * SITE_STEP
    query = current(Equipment).where(col(Equipment.id) >= first, col(Equipment.id) < first + SITE_STEP)
    return desk.session.execute(query.order_by(col(Equipment.code))).scalars().all()


def find_page(desk: Desk, fields: Fields) -> Response:
    """On to the list of what a person named in one of the forms, or that form again with what is wrong in it."""
    posted = Posted(fields)
    kind = next((kind for kind in KINDS if any(name == kind for name, _ in fields)), "lot")
    typed = Typed(posted, desk.zone, NAMES)
    try:
        source = typed.body(SourceIn, _stated(desk, typed, kind))
        refuse_other_plants(desk, source)
    except Unfit as unfit:
        return ask_page(desk, _again(kind, posted, unfit.faults, 422))
    except DomainError as error:
        return ask_page(desk, _again(kind, posted, faults_of(error, NAMES), status_of(error)))
    return RedirectResponse(list_address(source), 303, PAGE_HEADERS)


def _stated(desk: Desk, typed: Typed, kind: str) -> dict[str, object]:
    """The fields of a source, as the interface takes them."""
    match kind:
        case "ticket":
            return {"delivery_id": _delivery_id(desk, typed)}
        case "supplier":
            return {"partner": _partner_code(desk, typed)}
        case "vessel":
            number = typed.text("vessel") or ""
            return {
                "vessel_id": int(number) if number.isascii() and number.isdecimal() else None,
                "from": typed.moment("begin"),
                "to": typed.moment("end"),
                "suspect_discharge": typed.is_set("inside"),
            }
    return {"lot": typed.text("lot")}


def _delivery_id(desk: Desk, typed: Typed) -> int | None:
    number = typed.text("ticket")
    if number is None:
        return None
    found = list_deliveries(desk.session, site_no=desk.site.site_no, ticket_no=ticket_no_typed(number), limit=1)
    if not found:
        typed.blame("ticket", f"There is no ticket {number!r} here. Look for it at the gate, by its plate.")
    return found[0].id if found else None


def _partner_code(desk: Desk, typed: Typed) -> str | None:
    name = typed.text("supplier")
    if name is None:
        return None
    matches = match_partners(desk.session, name)
    exact = [match for match in matches if match.is_exact]
    if len(exact) == 1:
        return exact[0].code
    similar = "; ".join(f"{match.name or match.code} ({match.code})" for match in exact or matches)
    meant = f" Meant may be: {similar}." if similar else ""
    typed.blame("supplier", f"Nobody is in the books under this very name.{meant}")
    return None


def refuse_other_plants(desk: Desk, source: SourceIn) -> None:
    """Keep to the plant one works at; a supplier belongs to all of them.

    Raises
    ------
    NotFound : there is no such thing, or it is another plant's.
    """
    if site_of(asked_in(desk.session, source).id) not in (0, desk.site.site_no):
        raise NotFound("source-of-another-plant", "This belongs to another plant.", "Change the plant first.")


def _again(kind: str, posted: Posted, faults: Mapping[str, Sequence[str]], status: int) -> Form:
    """A form as it was sent. What concerns none of its fields stands at its first one, where the eye is."""
    values: dict[str, list[str]] = {}
    for name, value in posted.fields:
        values.setdefault(name, []).append(value)
    own = {name: words for name, words in faults.items() if name.removesuffix("_which") in FIELDS_OF[kind]}
    # Where a field of its own could not be read, that no source is named is only a consequence.
    others = [word for name, words in faults.items() if name not in own for word in words]
    return Form(kind, "", values, own or {kind: others}, status)


def query_of(source: SourceIn) -> list[tuple[str, str]]:
    """A source as fields of an address or of a form, as the interface names them."""
    given = source.model_dump(by_alias=True, exclude_none=True)
    return [
        (name, "true" if value is True else str(as_sent(value))) for name, value in given.items() if value is not False
    ]


def list_address(source: SourceIn) -> str:
    return f"/recall/list?{urlencode(query_of(source))}"
