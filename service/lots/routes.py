"""HTTP of lots whose history begins here, and of a lot's own moisture."""

from fastapi import Response

from service.lots.record_opening import record_lot_moisture, record_opening_lot
from service.lots.schemas import LotBornOut, MoistureIn, MoistureOut, OpeningLotIn
from service.web import Write, router

routes = router("lots")


@routes.post("/opening-lots", status_code=201, response_model=LotBornOut)
def post_opening_lot(body: OpeningLotIn, write: Write) -> Response:
    """Register stock or a heel that stood here before records began."""
    return write(lambda entry: record_opening_lot(entry, body))


@routes.post("/lots/{code}/moisture", status_code=201, response_model=MoistureOut)
def post_lot_moisture(code: str, body: MoistureIn, write: Write) -> Response:
    """Record a lot's moisture; balances that rest on an earlier value get a new version."""
    return write(lambda entry: record_lot_moisture(entry, code, body))
