"""HTTP of vessels."""

from typing import Annotated

from fastapi import Query, Response

from service.plant.queries import list_current
from service.plant.residence import residences_of
from service.plant.schemas import VesselIn
from service.plant.tables import Equipment
from service.vessels.queries import get_vessel, residence_out, vessel_out
from service.vessels.record import charge_vessel, draw_from_vessel, record_proven_empty, record_vessel
from service.vessels.record_residence import correct_residence, record_residence
from service.vessels.record_stop import correct_stop, list_stops, record_stop
from service.vessels.schemas import ChargeIn, DrawIn, ProvenEmptyIn, VesselOut
from service.vessels.schemas_residence import (
    EntryWindowOut,
    ResidenceCorrectionIn,
    ResidenceIn,
    ResidenceOut,
    StopCorrectionIn,
    StopIn,
    StopOut,
    SuspectDischargeOut,
)
from service.vessels.windows_out import entry_window_out, suspect_discharge_out
from service.web import Known, Moment, Read, Write, router

routes = router("vessels")
From = Annotated[Moment, Query(alias="from", description="Beginning of the interval (RFC 3339).")]
To = Annotated[Moment, Query(alias="to", description="End of the interval (RFC 3339), itself left out.")]


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


@routes.post("/vessels/{vessel_id}/residence", status_code=201, response_model=ResidenceOut)
def post_residence(vessel_id: int, body: ResidenceIn, write: Write) -> Response:
    """State how long material stays in a vessel or a line, and in what regime, from a date on."""
    return write(lambda entry: record_residence(entry, vessel_id, body))


@routes.get("/vessels/{vessel_id}/residence")
def get_residence(vessel_id: int, session: Read, known: Known) -> list[ResidenceOut]:
    """All residence data of a vessel or a line, by the time from which they hold."""
    get_vessel(session, vessel_id, known)
    return [residence_out(row) for row in residences_of(session, vessel_id, known)]


@routes.post("/vessels/{vessel_id}/residence/{residence_id}/corrections", status_code=201, response_model=ResidenceOut)
def post_residence_correction(vessel_id: int, residence_id: int, body: ResidenceCorrectionIn, write: Write) -> Response:
    """State residence data anew as a new version of them, or withdraw them."""
    return write(lambda entry: correct_residence(entry, vessel_id, residence_id, body))


@routes.post("/vessels/{vessel_id}/stops", status_code=201, response_model=StopOut)
def post_stop(vessel_id: int, body: StopIn, write: Write) -> Response:
    """Record that a vessel or a line stood still with material inside."""
    return write(lambda entry: record_stop(entry, vessel_id, body))


@routes.get("/vessels/{vessel_id}/stops")
def get_stops(vessel_id: int, session: Read, known: Known) -> list[StopOut]:
    """All stops of a vessel or a line, oldest first."""
    return list_stops(session, vessel_id, known)


@routes.post("/vessels/{vessel_id}/stops/{stop_id}/corrections", status_code=201, response_model=StopOut)
def post_stop_correction(vessel_id: int, stop_id: int, body: StopCorrectionIn, write: Write) -> Response:
    """Correct the times of a stop as a new version of it, or withdraw it."""
    return write(lambda entry: correct_stop(entry, vessel_id, stop_id, body))


@routes.get("/vessels/{vessel_id}/entry-window")
def get_entry_window(vessel_id: int, from_at: From, to_at: To, session: Read, known: Known) -> EntryWindowOut:
    """When what left a vessel or a line in an interval had entered it."""
    return entry_window_out(session, vessel_id, from_at, to_at, known)


@routes.get("/vessels/{vessel_id}/suspect-discharge")
def get_suspect_discharge(vessel_id: int, from_at: From, to_at: To, session: Read, known: Known) -> SuspectDischargeOut:
    """Which lots saw what was inside a vessel or a line during an excursion."""
    return suspect_discharge_out(session, vessel_id, from_at, to_at, known)
