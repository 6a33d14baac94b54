"""Goal: a mistyped reading is corrected by what the scale can have shown, and bales that were used keep what they gave.

Method: over HTTP on both engines; each refusal is asked for alone, and the ticket is looked at afterwards.
"""

import pytest
from gate import act, arrive, feed, reading, supplier, wash_run, weigh
from plant_fixture import Plant


@pytest.mark.parametrize(
    ("mass", "status", "code"),
    [
        # Above Max + 9 e = 60,000 kg + 9 x 20 kg a scale shows no figure. Source: OIML R 76-1 (from memory).
        ("60180.001", 422, "beyond-scale-range"),
        ("39860", 422, "tare-not-below-gross"),
        ("15420", 409, "nothing-to-correct"),
    ],
)
def test_what_the_scale_cannot_have_shown_is_refused(plant: Plant, mass: str, status: int, code: str):
    supplier(plant)
    ticket = weigh(plant, arrive(plant), "tare", "15420", entry="manual")
    tare = ticket["weighings"][1]["id"]
    problem = act(plant, ticket, f"weighings/{tare}/corrections", status=status, mass_kg=mass, reason="a test")
    assert problem["code"] == code
    assert plant.get(f"/v1/deliveries/{ticket['id']}") == ticket


def test_a_reading_of_another_ticket_is_not_corrected(plant: Plant):
    supplier(plant)
    gross = reading("39860", entry="manual")
    first, second = arrive(plant, gross=gross), arrive(plant, gross=gross)
    other = second["weighings"][0]["id"]
    problem = act(plant, first, f"weighings/{other}/corrections", status=404, mass_kg="39000", reason="a test")
    assert problem["code"] == "weighing-not-found"
    assert plant.get(f"/v1/deliveries/{second['id']}") == second


def test_what_the_scale_sent_itself_is_evidence(plant: Plant):
    supplier(plant)
    ticket = arrive(plant)
    gross = ticket["weighings"][0]["id"]
    problem = act(plant, ticket, f"weighings/{gross}/corrections", status=422, mass_kg="39000", reason="a test")
    assert problem["code"] == "reading-is-evidence"


def test_a_bale_that_was_used_is_never_left_with_less_than_it_gave(plant: Plant):
    supplier(plant)
    ticket = weigh(plant, arrive(plant, gross=reading("16000"), note_count=2), "tare", "15000", entry="manual")
    ticket = act(plant, ticket, "bales", count=2)
    used = ticket["bales"][0]["code"]
    feed(plant, wash_run(plant), used, amount="mass", mass_kg="400")
    tare = ticket["weighings"][1]["id"]
    path = f"weighings/{tare}/corrections"
    # 16,000 - 15,700 leaves 150 kg for each of two bales, of one of which 400 kg were fed.
    problem = act(plant, ticket, path, status=422, mass_kg="15700", reason="digits swapped")
    assert used in problem["errors"][0]["detail"]
    corrected = act(plant, ticket, path, mass_kg="15100", reason="digits swapped")
    assert [bale["material_kg"] for bale in corrected["bales"]] == ["450.000", "450.000"]
