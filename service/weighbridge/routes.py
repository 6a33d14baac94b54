"""HTTP of the gate."""

from typing import Annotated

from fastapi import Path, Query, Response

from service.plant.queries import get_by_code
from service.plant.tables import Site
from service.web import Known, Moment, Read, Write, router
from service.weighbridge.answer import delivery_out
from service.weighbridge.history import versions_out
from service.weighbridge.photo import MEDIA_TYPE
from service.weighbridge.queries import get_delivery
from service.weighbridge.record_bales import record_bales, record_load_lot
from service.weighbridge.record_correction import correct_delivery
from service.weighbridge.record_deduction import (
    record_count,
    record_deduction,
    record_delivery_moisture,
    withdraw_deduction,
)
from service.weighbridge.record_delivery import record_delivery, reverse_delivery
from service.weighbridge.record_reading import correct_weighing
from service.weighbridge.record_rejection import reject_bales
from service.weighbridge.record_remark import record_remark, with_kept_photo, withdraw_remark
from service.weighbridge.record_weighing import record_choice, record_lot_weighing, record_weighing
from service.weighbridge.remarks import get_photo, remarks_out
from service.weighbridge.schemas import (
    BalesIn,
    ChoiceIn,
    CorrectionIn,
    CountIn,
    DeductionIn,
    DeliveryIn,
    DeliveryMoistureIn,
    LoadLotIn,
    ReasonIn,
    RejectionIn,
    ScaleReading,
    WeighingIn,
)
from service.weighbridge.schemas_out import DeliveryOut, DeliveryPage, RemarkOut, VersionsOut
from service.weighbridge.schemas_reading import WeighingCorrectionIn
from service.weighbridge.schemas_remark import RemarkIn
from service.weighbridge.ticket_list import list_deliveries, page_out

routes = router("weighbridge")

DeliveryId = Annotated[int, Path(ge=1, lt=2**53, description="Number of the delivery (not its ticket).")]
RemarkId = Annotated[int, Path(ge=1, lt=2**53, description="Number of the remark.")]
PAGE_MAX = 200


def _location(out: DeliveryOut) -> str:
    return f"/v1/deliveries/{out.id}"


def _remarks(out: RemarkOut) -> str:
    return f"/v1/deliveries/{out.delivery_id}/remarks"


@routes.post("/deliveries", status_code=201, response_model=DeliveryOut)
def post_delivery(body: DeliveryIn, write: Write) -> Response:
    """Open a ticket for a truck, with its first weighing if there is one. An unknown supplier does not stop it."""
    return write(lambda entry: record_delivery(entry, body), location=_location)


@routes.get("/deliveries")
def get_deliveries(
    session: Read,
    known: Known,
    open_only: Annotated[bool, Query(alias="open", description="Only tickets that wait for a weighing.")] = False,
    site: Annotated[str | None, Query(description="Code of a site.")] = None,
    ticket_no: Annotated[str | None, Query(description="One ticket number.")] = None,
    arrived_from: Annotated[Moment | None, Query(description="Arrived then or later.")] = None,
    arrived_to: Annotated[Moment | None, Query(description="Arrived before then.")] = None,
    include_reversed: Annotated[bool, Query(description="Reversed tickets too.")] = False,
    newest_first: Annotated[bool, Query(description="The ticket opened last comes first.")] = False,
    after: Annotated[int, Query(ge=0, lt=2**53, description="`next_after` of the page before.")] = 0,
    limit: Annotated[int, Query(ge=1, le=PAGE_MAX)] = 50,
) -> DeliveryPage:
    """Tickets in the order they were opened, or the other way round, page by page."""
    rows = list_deliveries(
        session,
        known,
        site_no=None if site is None else get_by_code(session, Site, site).site_no,
        ticket_no=ticket_no,
        open_only=open_only,
        arrived_from=arrived_from,
        arrived_to=arrived_to,
        include_reversed=include_reversed,
        newest_first=newest_first,
        after=after,
        limit=limit,
    )
    return page_out(session, rows, limit, known)


@routes.get("/deliveries/{delivery_id}")
def get_delivery_out(delivery_id: DeliveryId, session: Read, known: Known) -> DeliveryOut:
    """A ticket with its weighings, choices, deductions, masses and bales, reversed or not."""
    return delivery_out(session, get_delivery(session, delivery_id, known), known)


@routes.get("/deliveries/{delivery_id}/versions")
def get_versions(delivery_id: DeliveryId, session: Read) -> VersionsOut:
    """Every version of a ticket, with time, person and reason."""
    return versions_out(session, delivery_id)


@routes.post("/deliveries/{delivery_id}/weighings", status_code=201, response_model=DeliveryOut)
def post_weighing(delivery_id: DeliveryId, body: WeighingIn, write: Write) -> Response:
    """Weigh the truck: gross or tare, on our scale or on somebody else's."""
    return write(lambda entry: record_weighing(entry, delivery_id, body), location=_location)


@routes.post(
    "/deliveries/{delivery_id}/weighings/{weighing_id}/corrections", status_code=201, response_model=DeliveryOut
)
def post_reading_correction(
    delivery_id: int, weighing_id: int, correction: WeighingCorrectionIn, write: Write
) -> Response:
    """Correct a figure that was typed in wrongly: the next version of the reading."""
    return write(lambda entry: correct_weighing(entry, delivery_id, weighing_id, correction))


@routes.post("/deliveries/{delivery_id}/weighing-choice", status_code=201, response_model=DeliveryOut)
def post_choice(delivery_id: DeliveryId, body: ChoiceIn, write: Write) -> Response:
    """Say which weighings are valid for physics or for payment; all of them stay visible."""
    return write(lambda entry: record_choice(entry, delivery_id, body), location=_location)


@routes.post("/deliveries/{delivery_id}/deductions", status_code=201, response_model=DeliveryOut)
def post_deduction(delivery_id: DeliveryId, body: DeductionIn, write: Write) -> Response:
    """Take ties, pallets or contaminants off the net."""
    return write(lambda entry: record_deduction(entry, delivery_id, body), location=_location)


@routes.post(
    "/deliveries/{delivery_id}/deductions/{deduction_id}/withdrawal",
    status_code=201,
    response_model=DeliveryOut,
)
def post_deduction_withdrawal(
    delivery_id: DeliveryId,
    deduction_id: Annotated[int, Path(ge=1, lt=2**53)],
    body: ReasonIn,
    write: Write,
) -> Response:
    """Take a deduction back."""
    return write(lambda entry: withdraw_deduction(entry, delivery_id, deduction_id, body), location=_location)


@routes.post("/deliveries/{delivery_id}/count", status_code=201, response_model=DeliveryOut)
def post_count(delivery_id: DeliveryId, body: CountIn, write: Write) -> Response:
    """State what was counted, and accept the difference to the note or not."""
    return write(lambda entry: record_count(entry, delivery_id, body), location=_location)


@routes.post("/deliveries/{delivery_id}/bales", status_code=201, response_model=DeliveryOut)
def post_bales(delivery_id: DeliveryId, body: BalesIn, write: Write) -> Response:
    """Register all bales of a truck in one action; each gets a code of its own."""
    return write(lambda entry: record_bales(entry, delivery_id, body), location=_location)


@routes.post("/deliveries/{delivery_id}/lot", status_code=201, response_model=DeliveryOut)
def post_load_lot(delivery_id: DeliveryId, body: LoadLotIn, write: Write) -> Response:
    """Register a loose or packed load as one lot."""
    return write(lambda entry: record_load_lot(entry, delivery_id, body), location=_location)


@routes.post("/lots/{code}/weighings", status_code=201, response_model=DeliveryOut)
def post_lot_weighing(code: str, body: ScaleReading, write: Write) -> Response:
    """Weigh one bale; the bales without a weight share the rest of the net. Answers the whole delivery."""
    return write(lambda entry: record_lot_weighing(entry, code, body), location=_location)


@routes.post("/deliveries/{delivery_id}/rejections", status_code=201, response_model=DeliveryOut)
def post_rejection(delivery_id: DeliveryId, body: RejectionIn, write: Write) -> Response:
    """Send bales, or the whole load, back to the supplier."""
    return write(lambda entry: reject_bales(entry, delivery_id, body), location=_location)


@routes.post("/deliveries/{delivery_id}/moisture", status_code=201, response_model=DeliveryOut)
def post_moisture(delivery_id: DeliveryId, body: DeliveryMoistureIn, write: Write) -> Response:
    """Record the moisture of a delivery, provisional or measured; a later value is the next version."""
    return write(lambda entry: record_delivery_moisture(entry, delivery_id, body), location=_location)


@routes.post("/deliveries/{delivery_id}/corrections", status_code=201, response_model=DeliveryOut)
def post_correction(delivery_id: DeliveryId, body: CorrectionIn, write: Write) -> Response:
    """Correct a ticket; the earlier version stays readable."""
    return write(lambda entry: correct_delivery(entry, delivery_id, body), location=_location)


@routes.post("/deliveries/{delivery_id}/reversal", status_code=201, response_model=DeliveryOut)
def post_reversal(delivery_id: DeliveryId, body: ReasonIn, write: Write) -> Response:
    """Take a ticket back; refused while any of its lots is used, naming lots and runs."""
    return write(lambda entry: reverse_delivery(entry, delivery_id, body), location=_location)


@routes.post("/deliveries/{delivery_id}/remarks", status_code=201, response_model=RemarkOut)
def post_remark(delivery_id: DeliveryId, body: RemarkIn, write: Write) -> Response:
    """Record damage, wet, odour or whatever was noticed about a load or one bale of it, with a photo."""
    remark = with_kept_photo(body)
    return write(lambda entry: record_remark(entry, delivery_id, remark), location=_remarks)


@routes.get("/deliveries/{delivery_id}/remarks")
def get_remarks(delivery_id: DeliveryId, session: Read, known: Known) -> list[RemarkOut]:
    """What was noticed about a load; withdrawn remarks are left out."""
    return remarks_out(session, get_delivery(session, delivery_id, known).id, known)


@routes.get(
    "/deliveries/{delivery_id}/remarks/{remark_id}/photo",
    response_class=Response,
    responses={200: {"description": "JPEG.", "content": {MEDIA_TYPE: {}}}},
)
def get_remark_photo(delivery_id: DeliveryId, remark_id: RemarkId, session: Read) -> Response:
    """The photo of a remark, a withdrawn one too. It can be erased, so nobody may keep a copy on the way."""
    return Response(get_photo(session, delivery_id, remark_id), 200, {"Cache-Control": "no-store"}, MEDIA_TYPE)


@routes.post("/deliveries/{delivery_id}/remarks/{remark_id}/withdrawal", status_code=201, response_model=RemarkOut)
def post_remark_withdrawal(delivery_id: DeliveryId, remark_id: RemarkId, body: ReasonIn, write: Write) -> Response:
    """Take a remark back; it stays readable as withdrawn."""
    return write(lambda entry: withdraw_remark(entry, delivery_id, remark_id, body), location=_remarks)
