"""What an event of the demo can do: each operation is a route of the service, with its model and its verb.

No rule stands here. An event passes the same `In` model and the same verb as a request to the route would,
so what the service refuses cannot get into the demo either.
"""

from collections.abc import Callable
from dataclasses import dataclass

from pydantic import BaseModel

from service.access.record import record_actor
from service.access.statuses import ActorKind
from service.balances.record import close_run
from service.balances.schemas import CloseIn
from service.journal.entry import Entry
from service.lineage.record import lift_hold, place_hold
from service.lineage.schemas import HoldIn, LiftIn
from service.lots.record_opening import record_lot_moisture, record_opening_lot
from service.lots.schemas import MoistureIn, OpeningLotIn
from service.papers.record import issue_lot_record
from service.partners.record import record_contract, record_partner
from service.partners.schemas import ContractIn, PartnerIn
from service.plant.record import record_container_type, record_instrument, record_material, record_site
from service.plant.schemas import ContainerTypeIn, InstrumentIn, MaterialIn, SiteIn, VesselIn
from service.runs.record import book_run_losses, correct_line, discharge_run, feed_run, record_run
from service.runs.schemas import DischargesIn, FeedsIn, LineCorrectionIn, LossesIn, RunIn
from service.vessels.record import charge_vessel, draw_from_vessel, record_proven_empty, record_vessel
from service.vessels.schemas import ChargeIn, DrawIn, ProvenEmptyIn
from service.web import Body, Name, Out
from service.weighbridge.record_bales import record_bales, record_load_lot
from service.weighbridge.record_deduction import record_count, record_deduction, record_delivery_moisture
from service.weighbridge.record_delivery import record_delivery
from service.weighbridge.record_rejection import reject_bales
from service.weighbridge.record_weighing import record_choice, record_lot_weighing, record_weighing
from service.weighbridge.schemas import (
    BalesIn,
    ChoiceIn,
    CountIn,
    DeductionIn,
    DeliveryIn,
    DeliveryMoistureIn,
    LoadLotIn,
    RejectionIn,
    ScaleReading,
    WeighingIn,
)


@dataclass(frozen=True)
class Operation:
    """A route as an event names it.

    Parameters
    ----------
    path : of the route; ``{on}`` is the number or code that the event names.
    body : model of the request, None where the route takes none.
    verb : called with the entry, then what the event is on, then the body.
    """

    path: str
    body: type[BaseModel] | None
    verb: Callable[..., BaseModel]

    @property
    def is_on_something(self) -> bool:
        return "{on}" in self.path


class PersonIn(Body):
    """Somebody who writes. No route registers people: the command line does."""

    kind: ActorKind
    name: Name


class PersonOut(Out):
    id: int


def register_person(entry: Entry, person: PersonIn) -> PersonOut:
    """Register an actor of the plant."""
    return PersonOut(id=record_actor(entry, kind=person.kind, name=person.name).id)


PERSON = "register_person"
SITE = "register_site"

OPERATIONS: dict[str, Operation] = {
    PERSON: Operation("/actors", PersonIn, register_person),
    SITE: Operation("/v1/sites", SiteIn, record_site),
    "register_material": Operation("/v1/materials", MaterialIn, record_material),
    "register_instrument": Operation("/v1/instruments", InstrumentIn, record_instrument),
    "register_container_type": Operation("/v1/container-types", ContainerTypeIn, record_container_type),
    "register_vessel": Operation("/v1/vessels", VesselIn, record_vessel),
    "register_partner": Operation("/v1/partners", PartnerIn, record_partner),
    "register_contract": Operation("/v1/contracts", ContractIn, record_contract),
    "register_opening_lot": Operation("/v1/opening-lots", OpeningLotIn, record_opening_lot),
    "open_delivery": Operation("/v1/deliveries", DeliveryIn, record_delivery),
    "weigh_truck": Operation("/v1/deliveries/{on}/weighings", WeighingIn, record_weighing),
    "choose_weighing": Operation("/v1/deliveries/{on}/weighing-choice", ChoiceIn, record_choice),
    "deduct": Operation("/v1/deliveries/{on}/deductions", DeductionIn, record_deduction),
    "count_bales": Operation("/v1/deliveries/{on}/count", CountIn, record_count),
    "register_bales": Operation("/v1/deliveries/{on}/bales", BalesIn, record_bales),
    "register_load": Operation("/v1/deliveries/{on}/lot", LoadLotIn, record_load_lot),
    "reject_bales": Operation("/v1/deliveries/{on}/rejections", RejectionIn, reject_bales),
    "measure_delivery": Operation("/v1/deliveries/{on}/moisture", DeliveryMoistureIn, record_delivery_moisture),
    "weigh_lot": Operation("/v1/lots/{on}/weighings", ScaleReading, record_lot_weighing),
    "measure_lot": Operation("/v1/lots/{on}/moisture", MoistureIn, record_lot_moisture),
    "start_run": Operation("/v1/runs", RunIn, record_run),
    "feed_run": Operation("/v1/runs/{on}/feeds", FeedsIn, feed_run),
    "discharge_run": Operation("/v1/runs/{on}/discharges", DischargesIn, discharge_run),
    "book_losses": Operation("/v1/runs/{on}/losses", LossesIn, book_run_losses),
    "close_run": Operation("/v1/runs/{on}/close", CloseIn, close_run),
    "correct_line": Operation("/v1/lines/{on}/corrections", LineCorrectionIn, correct_line),
    "charge_vessel": Operation("/v1/vessels/{on}/charges", ChargeIn, charge_vessel),
    "draw_from_vessel": Operation("/v1/vessels/{on}/draws", DrawIn, draw_from_vessel),
    "prove_vessel_empty": Operation("/v1/vessels/{on}/proven-empty", ProvenEmptyIn, record_proven_empty),
    "place_hold": Operation("/v1/holds", HoldIn, place_hold),
    "lift_hold": Operation("/v1/holds/{on}/lift", LiftIn, lift_hold),
    "issue_lot_record": Operation("/v1/lots/{on}/records", None, issue_lot_record),
}
