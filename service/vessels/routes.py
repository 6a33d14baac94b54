"""HTTP of vessels."""

from fastapi import Response

from service.plant.queries import list_current
from service.plant.schemas import VesselIn
from service.plant.tables import Equipment
from service.vessels.queries import get_vessel, vessel_out
from service.vessels.record import charge_vessel, draw_from_vessel, record_proven_empty, record_vessel
from service.vessels.schemas import ChargeIn, DrawIn, ProvenEmptyIn, VesselOut
from service.web import Known, Read, Write, router

routes = router("vessels")


@routes.post("/vessels", status_code=201, response_model=VesselOut)
def post_vessel(body: VesselIn, write: Write) -> Response:
    """Register a vessel: bay, silo, dryer, reactor."""
    return write(lambda entry: record_vessel(entry, body))


@routes.get("/vessels")
def get_vessels(session: Read) -> list[VesselOut]:
    """All vessels with what stands in them."""
    return [vessel_out(session, row) for row in list_current(session, Equipment)]


@routes.get("/vessels/{vessel_id}")
def get_vessel_content(vessel_id: int, session: Read, known: Known) -> VesselOut:
    """A vessel with what stands in it, by the lots it was charged with."""
    return vessel_out(session, get_vessel(session, vessel_id, known), known)


@routes.post("/vessels/{vessel_id}/charges", status_code=201, response_model=VesselOut)
def post_charge(vessel_id: int, body: ChargeIn, write: Write) -> Response:
    """Put a lot into a vessel, on top of what stands there."""
    return write(lambda entry: charge_vessel(entry, vessel_id, body))


@routes.post("/vessels/{vessel_id}/draws", status_code=201, response_model=VesselOut)
def post_draw(vessel_id: int, body: DrawIn, write: Write) -> Response:
    """Draw a new lot from a vessel."""
    return write(lambda entry: draw_from_vessel(entry, vessel_id, body))


@routes.post("/vessels/{vessel_id}/proven-empty", status_code=201, response_model=VesselOut)
def post_proven_empty(vessel_id: int, body: ProvenEmptyIn, write: Write) -> Response:
    """Record that a vessel was emptied and inspected; lineage does not reach back across it."""
    return write(lambda entry: record_proven_empty(entry, vessel_id, body))
