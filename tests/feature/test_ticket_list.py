"""Goal: the clerk finds a ticket by day, state or plate, and a truck brings what it brought last time.

Method: tickets over HTTP on both engines, questions over HTTP where a route asks them and as queries where a plate is
in them. The number of statements is counted, so that a page of tickets cannot cost a query per ticket.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Any

import pytest
from gate import act, arrive, at, contract, p01, reading, stamp, supplier, weigh
from plant_fixture import Plant
from sqlalchemy import event, update
from sqlmodel import col

from service.journal.read import known_now
from service.journal.tables import PrivateText
from service.weighbridge.plate_guess import PlateGuess, last_delivery_with_plate
from service.weighbridge.statuses import DeliveryForm
from service.weighbridge.ticket_list import (
    TICKETS_LOOKED_AT,
    list_deliveries,
    page_out,
    recent_suppliers,
    tickets_with_plate,
)

MILL = 1  # site number of the fixture's plant


def listed(plant: Plant, query: str = "") -> list[str]:
    return [row["ticket_no"] for row in plant.get(f"/v1/deliveries?{query}")["deliveries"]]


def with_plate(plant: Plant, plate: str, **more: Any) -> list[str]:
    with plant.database.read() as session:
        return [ticket.ticket_no for ticket in list_deliveries(session, plate=plate, **more)]


def guess(plant: Plant, plate: str, site_no: int = MILL) -> PlateGuess | None:
    with plant.database.read() as session:
        return last_delivery_with_plate(session, site_no, plate)


# The list -------------------------------------------------------------------------------------------


def test_tickets_of_a_day_are_half_open(plant: Plant):
    supplier(plant)
    for hour in (1, 2, 3):
        arrive(plant, arrived_at=at(hour), gross=None)
    two, three = "2026-03-09T02:00:00Z", "2026-03-09T03:00:00Z"
    assert listed(plant, f"arrived_from={two}") == ["T000002", "T000003"]
    assert listed(plant, f"arrived_to={two}") == ["T000001"]
    assert listed(plant, f"arrived_from={two}&arrived_to={three}") == ["T000002"]
    assert listed(plant, f"arrived_from={three}&arrived_to={two}") == []
    # The same moment written with another offset.
    assert listed(plant, "arrived_from=2026-03-09T04:00:00%2B01:00") == ["T000003"]


def test_a_corrected_arrival_counts(plant: Plant):
    supplier(plant)
    delivery = arrive(plant, arrived_at=at(1), gross=None)
    known = stamp(plant)
    act(plant, delivery, "corrections", arrived_at=at(3), reason="clock was wrong")
    assert listed(plant, f"arrived_to={at(2)[:19]}Z") == []
    assert listed(plant, f"arrived_from={at(2)[:19]}Z") == ["T000001"]
    assert listed(plant, f"arrived_to={at(2)[:19]}Z&known_at={known}") == ["T000001"]


def test_newest_first_goes_down_page_by_page(plant: Plant):
    supplier(plant)
    for _ in range(5):
        arrive(plant, gross=None)
    pages, after = [], 0
    while after is not None:
        page = plant.get(f"/v1/deliveries?newest_first=true&limit=2&after={after}")
        pages.append([row["ticket_no"][-1] for row in page["deliveries"]])
        after = page["next_after"]
    assert pages == [["5", "4"], ["3", "2"], ["1"]]
    assert [name[-1] for name in listed(plant)] == ["1", "2", "3", "4", "5"]


def test_reversed_tickets_only_when_asked_for(plant: Plant):
    supplier(plant)
    first, _ = arrive(plant), arrive(plant)
    known = stamp(plant)
    act(plant, first, "reversal", reason="entered twice")
    assert listed(plant) == ["T000002"]
    rows = plant.get("/v1/deliveries?include_reversed=true")["deliveries"]
    assert [(row["ticket_no"], row["is_reversed"], row["is_open"]) for row in rows] == [
        ("T000001", True, False),
        ("T000002", False, True),
    ]
    assert listed(plant, "include_reversed=true&open=true") == ["T000002"]
    then = plant.get(f"/v1/deliveries?include_reversed=true&known_at={known}")["deliveries"]
    assert [(row["ticket_no"], row["is_reversed"], row["is_open"]) for row in then] == [
        ("T000001", False, True),
        ("T000002", False, True),
    ]


def test_a_line_says_plate_gross_and_net(plant: Plant):
    supplier(plant)
    delivery = arrive(plant, plate="AB-12 cd")
    arrive(plant, gross=None)
    weigh(plant, delivery, "gross", "40000", origin="supplier", ticket_series="NORTH", ticket_no="1")
    first, second = plant.get("/v1/deliveries")["deliveries"]
    assert (first["plate"], first["gross_kg"], first["net_kg"]) == ("AB-12 cd", "39860.000", None)
    assert (second["plate"], second["gross_kg"], second["net_kg"]) == (None, None, None)
    weigh(plant, delivery, "gross", "39900", weighed_at=at(5.2))
    assert plant.get("/v1/deliveries")["deliveries"][0]["gross_kg"] == "39900.000"
    first_gross, *_, tare = weigh(plant, delivery, "tare", "15420")["weighings"]
    chosen = {"gross_id": first_gross["id"], "tare_id": tare["id"]}
    act(plant, delivery, "weighing-choice", purpose="physical", reason="the first reading was steady", **chosen)
    first = plant.get("/v1/deliveries")["deliveries"][0]
    assert (first["gross_kg"], first["net_kg"]) == ("39860.000", "24440.000")


@contextmanager
def statements(plant: Plant) -> Iterator[list[str]]:
    sent: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        sent.append(statement)

    event.listen(plant.database.engine, "before_cursor_execute", note)
    try:
        yield sent
    finally:
        event.remove(plant.database.engine, "before_cursor_execute", note)


def test_a_page_costs_as_many_statements_whatever_its_length(plant: Plant):
    for code in ("NORTH", "SOUTH", "EAST"):
        supplier(plant, code)
    counts = []
    for turn in range(2):
        for code in ("NORTH", "SOUTH", "EAST") * (1 + 3 * turn):
            arrive(plant, supplier=code, plate=f"{code} 1", gross=reading("30000"))
        with plant.database.read() as session, statements(plant) as sent:
            page_out(session, list_deliveries(session, site_no=MILL, newest_first=True), 50)
        counts.append(len(sent))
    assert counts[0] == counts[1] <= 8


# Plates ---------------------------------------------------------------------------------------------


def test_a_plate_is_found_in_any_spelling(plant: Plant):
    supplier(plant)
    for plate in ("AB-12 cd", "ab12CD", "A.B. 12-CD", "AB 12 CE", None):
        arrive(plant, plate=plate, gross=None)
    assert with_plate(plant, "ab 12 cd") == ["T000001", "T000002", "T000003"]
    assert with_plate(plant, "AB12CD", newest_first=True, limit=2) == ["T000003", "T000002"]
    assert with_plate(plant, "AB12") == with_plate(plant, "-") == with_plate(plant, "") == []


def test_a_plate_in_a_state_of_knowledge_and_of_a_reversed_ticket(plant: Plant):
    supplier(plant)
    first = arrive(plant, plate="AB 1", gross=None)
    with plant.database.read() as session:
        known = known_now(session)
    act(plant, first, "corrections", plate="AB 2", reason="misread")
    second = arrive(plant, plate="AB 2", gross=None)
    act(plant, second, "reversal", reason="entered twice")
    assert (with_plate(plant, "AB 1"), with_plate(plant, "AB 2")) == ([], ["T000001"])
    assert with_plate(plant, "AB 2", include_reversed=True) == ["T000001", "T000002"]
    assert (with_plate(plant, "AB 1", known=known), with_plate(plant, "AB 2", known=known)) == (["T000001"], [])


def test_an_erased_plate_is_nobodys(plant: Plant):
    supplier(plant)
    for _ in range(2):
        arrive(plant, plate="AB 1", gross=None)
    with plant.database.read() as session:
        newest = list_deliveries(session, newest_first=True)[0]
    plant.database.write(
        lambda session: session.execute(
            update(PrivateText).where(col(PrivateText.id) == newest.plate_id).values(text=None)
        )
    )
    assert with_plate(plant, "AB1") == ["T000001"]
    found = guess(plant, "AB1")
    assert found is not None
    assert found.ticket_no == "T000001"
    assert plant.get("/v1/deliveries")["deliveries"][1]["plate"] is None


def test_only_the_newest_tickets_are_looked_at(plant: Plant, monkeypatch: pytest.MonkeyPatch):
    assert TICKETS_LOOKED_AT == 3_000
    monkeypatch.setattr("service.weighbridge.ticket_list.TICKETS_LOOKED_AT", 2)
    supplier(plant)
    for plate in ("OLD 1", None, "NEW 1"):
        arrive(plant, plate=plate, gross=None)
    assert (with_plate(plant, "OLD1"), with_plate(plant, "NEW1")) == ([], ["T000003"])


# What a truck brought last time ---------------------------------------------------------------------


def test_a_plate_brings_the_last_delivery(plant: Plant):
    delivery = p01(plant, plate="AB-12 cd", arrived_at=at(5))
    found = guess(plant, "ab12CD")
    assert found == PlateGuess(
        delivery_id=delivery["id"],
        ticket_no="T000001",
        arrived_at=datetime.fromisoformat(at(5)),
        supplier_code="NORTH",
        supplier_name="North Sorting",
        material_code="PET-BALES",
        carrier_code=None,
        form=DeliveryForm.BALES,
        contract_code=delivery["contract"],
        tare_g=15_420_000,
        tare_weighed_at=datetime.fromisoformat(at(5.5)),
        tare_instrument_code="BRIDGE",
    )
    assert guess(plant, "AB 12 CE") is None
    assert guess(plant, " - ") is None


def test_the_last_one_counts_and_its_tare_may_be_an_earlier_ticket_s(plant: Plant):
    supplier(plant)
    supplier(plant, "SOUTH")
    plant.post("/v1/partners", {"code": "HAUL", "name": "Haulage", "is_carrier": True})
    first = arrive(plant, plate="AB 1")
    weigh(plant, first, "tare", "15400", weighed_at=at(5.1))
    weigh(plant, first, "tare", "15380", weighed_at=at(5.2))
    last = arrive(plant, plate="ab1", supplier="SOUTH", carrier="HAUL", material="PET-LOOSE", form="loose")
    weigh(plant, last, "tare", "15999", entry="stored_tare")
    weigh(plant, last, "tare", "15500", origin="supplier", ticket_series="SOUTH", ticket_no="7")
    found = guess(plant, "AB1")
    assert found is not None
    assert (found.ticket_no, found.supplier_code, found.carrier_code) == ("T000002", "SOUTH", "HAUL")
    assert (found.material_code, found.form, found.contract_code) == ("PET-LOOSE", "loose", None)
    assert (found.tare_g, found.tare_weighed_at) == (15_380_000, datetime.fromisoformat(at(5.2)))
    act(plant, last, "reversal", reason="entered twice")
    assert getattr(guess(plant, "AB1"), "ticket_no", None) == "T000001"


def test_a_truck_that_was_never_weighed_empty_brings_no_tare(plant: Plant):
    supplier(plant)
    contract(plant)
    arrive(plant, plate="AB 1", gross=None)
    found = guess(plant, "AB1")
    assert found is not None
    assert (found.tare_g, found.tare_weighed_at, found.tare_instrument_code) == (None, None, None)


def test_another_site_knows_nothing_of_it(plant: Plant):
    supplier(plant)
    other = plant.post("/v1/sites", {"code": "HILL", "name": "Hill", "zone": "Europe/Lisbon"})
    arrive(plant, plate="AB 1", gross=None)
    assert guess(plant, "AB1", other["site_no"]) is None
    with plant.database.read() as session:
        assert tickets_with_plate(session, "AB1", other["site_no"]) == []
        assert len(tickets_with_plate(session, "AB1")) == 1
        assert recent_suppliers(session, other["site_no"]) == []


# Suppliers ------------------------------------------------------------------------------------------


def test_recent_suppliers_the_latest_first_each_once(plant: Plant):
    for code in ("NORTH", "SOUTH", "EAST", "WEST"):
        supplier(plant, code)
    for code in ("NORTH", "SOUTH", "NORTH", "EAST", "SOUTH"):
        last = arrive(plant, supplier=code, gross=None)
    with plant.database.read() as session:
        assert recent_suppliers(session, MILL) == [
            ("SOUTH", "South Sorting"),
            ("EAST", "East Sorting"),
            ("NORTH", "North Sorting"),
        ]
        assert [code for code, _ in recent_suppliers(session, MILL, limit=2)] == ["SOUTH", "EAST"]
    act(plant, last, "reversal", reason="entered twice")
    with plant.database.read() as session:
        assert [code for code, _ in recent_suppliers(session, MILL)] == ["EAST", "NORTH", "SOUTH"]
