"""Goal: partners and purchase terms are found by code, mapped once, and never contradict each other.

Method: over HTTP on both engines; refusals are checked to change nothing.
"""

import pytest
from gate import at, contract, supplier
from plant_fixture import Plant
from sqlalchemy import update
from sqlmodel import col

from service.journal.tables import PrivateText
from service.partners.queries import PartnerMatch, match_partners


def test_partner_gets_a_code_when_none_is_given(plant: Plant):
    first = plant.post("/v1/partners", {"name": "Estuary Haulage", "is_carrier": True, "country": "PT"})
    second = plant.post("/v1/partners", {"name": "Hill Laboratory", "is_laboratory": True})
    assert (first["code"], second["code"]) == ("P000001", "P000002")
    assert first["is_mapped"] is True
    assert [row["name"] for row in plant.get("/v1/partners")] == ["Estuary Haulage", "Hill Laboratory"]


def test_assigned_code_passes_over_one_given_by_hand(plant: Plant):
    plant.post("/v1/partners", {"code": "P000001", "name": "By hand", "is_customer": True})
    assert plant.post("/v1/partners", {"name": "By the plant", "is_customer": True})["code"] == "P000002"


def test_partner_code_is_taken_once(plant: Plant):
    supplier(plant)
    refused = plant.post("/v1/partners", {"code": "NORTH", "name": "Another", "is_supplier": True}, status=409)
    assert refused["code"] == "code-taken"
    assert refused["errors"][0]["pointer"] == "/code"
    assert len(plant.get("/v1/partners")) == 1


def test_partner_without_a_role_is_refused(plant: Plant):
    refused = plant.post("/v1/partners", {"name": "Nobody"}, status=422)
    assert "is_supplier" in refused["errors"][0]["detail"]
    assert plant.get("/v1/partners") == []


def test_mapping_a_mapped_partner_is_refused(plant: Plant):
    known = supplier(plant)
    refused = plant.post(f"/v1/partners/{known['id']}/mapping", {"reason": "by mistake"}, status=409)
    assert refused["code"] == "partner-mapped"
    assert plant.post("/v1/partners/77/mapping", {"reason": "by mistake"}, status=404)["code"] == "partner-not-found"


def test_contracts_of_one_supplier_and_material_do_not_overlap(plant: Plant):
    supplier(plant)
    first = contract(plant, valid_to="2026-07-01T00:00:00Z")
    refused = plant.post(
        "/v1/contracts",
        {
            "partner": "NORTH",
            "material": "PET-BALES",
            "moisture_allowance_fraction": "0.03",
            "payable_formula": "dry_equivalent",
            "valid_from": "2026-06-30T23:59:59Z",
        },
        status=409,
    )
    assert refused["code"] == "contract-overlaps"
    assert first["code"] in refused["errors"][0]["detail"]
    assert len(plant.get("/v1/contracts")) == 1


def test_contracts_may_follow_each_other_and_differ_by_material(plant: Plant):
    supplier(plant)
    contract(plant, valid_to="2026-07-01T00:00:00Z")
    # Half-open validity: the second begins in the instant the first ends.
    contract(plant, "dry_equivalent", valid_from="2026-07-01T00:00:00Z", tie_kg=None)
    contract(plant, material="PET-LOOSE")
    rows = plant.get("/v1/contracts")
    assert [row["code"] for row in rows] == ["C000001", "C000002", "C000003"]
    assert [row["tie_kg"] for row in rows] == ["1.500", "0.000", "1.500"]
    assert rows[0]["valid_to"] == rows[1]["valid_from"]


def test_contract_names_known_things_and_a_possible_allowance(plant: Plant):
    supplier(plant)
    body = {
        "partner": "NORTH",
        "material": "PET-BALES",
        "moisture_allowance_fraction": "1",
        "payable_formula": "dry_equivalent",
        "valid_from": "2026-01-01T00:00:00Z",
    }
    assert "below 1" in plant.post("/v1/contracts", body, status=422)["errors"][0]["detail"]
    body["moisture_allowance_fraction"] = "0.02"
    refused = plant.post("/v1/contracts", body | {"partner": "EAST", "material": "GLASS"}, status=422)
    assert refused["code"] == "unknown-code"
    assert [fault["pointer"] for fault in refused["errors"]] == ["/partner", "/material"]
    assert plant.get("/v1/contracts") == []


# What somebody means by what he types ---------------------------------------------------------------


def meant(plant: Plant, typed: str, **more: bool | int) -> list[PartnerMatch]:
    with plant.database.read() as session:
        return match_partners(session, typed, **more)  # type: ignore[arg-type]


@pytest.fixture
def partners(plant: Plant) -> Plant:
    supplier(plant, "NORTH", name="North Yard Sorting")
    supplier(plant, "RIVER", name="Riverbend  Sorting")
    supplier(plant, "SORTING", name="Hill Depot")
    plant.post("/v1/partners", {"code": "HAUL", "name": "North Yard Haulage", "is_carrier": True})
    return plant


def test_a_code_or_a_name_is_meant_whatever_its_case_and_spaces(partners: Plant):
    assert meant(partners, "north") == [("NORTH", "North Yard Sorting", True)]
    assert meant(partners, " riverbend sorting ") == [("RIVER", "Riverbend  Sorting", True)]
    # The code goes before every name that holds the word.
    by_code, *by_name = meant(partners, "Sorting")
    assert by_code == ("SORTING", "Hill Depot", True)
    assert {(match.code, match.is_exact) for match in by_name} == {("NORTH", False), ("RIVER", False)}


def test_parts_of_a_name_and_close_spellings(partners: Plant):
    assert meant(partners, "sort yard") == [("NORTH", "North Yard Sorting", False)]
    assert meant(partners, "Rivrbend Sortin") == [("RIVER", "Riverbend  Sorting", False)]
    assert meant(partners, "zzzz") == meant(partners, "") == meant(partners, "  ") == []
    assert len(meant(partners, "sorting", limit=2)) == 2


def test_others_than_suppliers_only_when_asked_for(partners: Plant):
    assert [match.code for match in meant(partners, "north yard")] == ["NORTH"]
    assert {match.code for match in meant(partners, "north yard", suppliers_only=False)} == {"NORTH", "HAUL"}


def test_a_supplier_whose_name_was_erased_is_found_by_code_only(partners: Plant):
    erased = update(PrivateText).where(col(PrivateText.text) == "North Yard Sorting").values(text=None)
    partners.database.write(lambda session: session.execute(erased))
    assert meant(partners, "NORTH") == [("NORTH", None, True)]
    assert "NORTH" not in [match.code for match in meant(partners, "yard sorting")]


def test_a_supplier_nobody_has_mapped_yet_is_meant_too(partners: Plant):
    ticket = {"site": "MILL", "supplier_name": "Estuary Bottles", "material": "PET-BALES", "form": "bales"}
    code = partners.post("/v1/deliveries", ticket | {"arrived_at": at(5)})["supplier"]
    assert meant(partners, "estuary bottles") == [(code, "Estuary Bottles", True)]
