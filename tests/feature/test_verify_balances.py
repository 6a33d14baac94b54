"""Goal: `verify` adds the lines of every closed run up again, and names each figure of a balance that says otherwise.

Method: a run with a measured and a default moisture, lots fed whole, a stated loss and two estimates
is closed by the verbs and agrees. Then wrong balances are written through the journal, so that all hashes agree and
only the sums can tell.
"""

from typing import Any

import pytest
from line_steps import at, close, discharge, feed, opening, out, start
from plant_fixture import Plant

from service.balances.queries import find_balance
from service.journal.entry import Entry
from service.journal.faults import Fault
from service.lots.queries import get_process
from service.verify import examine, verify_database

ONE_KG_UG = 10**9


def wash(plant: Plant) -> int:
    """1,000 kg at 5 % and 500 kg at the plant's default in, 1,300 kg at 1 %, sludge and two estimates out."""
    run = start(plant, "wash")
    feed(plant, run, opening(plant, "loose", "PET-LOOSE", "1000", "0.05"))
    guessed = {"site": "MILL", "kind": "loose", "material": "PET-LOOSE", "mass_kg": "500", "found_at": at(0)}
    feed(plant, run, plant.post("/v1/opening-lots", guessed)["code"])
    discharge(plant, run, out("flake", "FLAKE", "product", "clear_flake", "1300", "0.01"))
    losses = [
        {"stream": "effluent", "fraction_of_dry_in": "0.015", "at": at(4)},
        {"stream": "dust", "fraction_of_dry_in": "0.000003", "at": at(4)},
        {"stream": "sludge", "category": "waste", "mass_kg": "100", "moisture_fraction": "0.55", "at": at(4)},
    ]
    plant.post(f"/v1/runs/{run}/losses", {"losses": losses})
    close(plant, run)
    return run


def rewritten(plant: Plant, run: int, **figures: Any) -> list[Fault]:
    """Store a balance with other figures, hashed as any other, and verify."""

    def verb(entry: Entry) -> None:
        entry.open(1, "mistake_made")
        balance = find_balance(entry.session, run)
        assert balance is not None
        entry.revise(balance, "a mistake", **figures)

    plant.writer.run(1, verb)
    return list(verify_database(plant.database))


def test_balances_of_the_verbs_agree_and_are_counted(plant: Plant):
    wash(plant)
    report = examine(plant.database)
    assert report.faults == []
    assert report.balances == 1


def test_each_wrong_figure_is_named_with_what_the_lines_add_up_to(plant: Plant):
    run = wash(plant)
    with plant.database.read() as session:
        balance = find_balance(session, run)
    assert balance is not None
    assert balance.provisional
    moved = {
        "dry_in_ug": balance.dry_in_ug + ONE_KG_UG,
        "dry_out_ug": balance.dry_out_ug + ONE_KG_UG,
        "estimated_out_ug": balance.estimated_out_ug + 1,
        "provisional": False,
    }
    faults = rewritten(plant, run, **moved)
    assert {fault.column: fault.recomputed for fault in faults} == {
        "dry_in_ug": str(balance.dry_in_ug),
        "dry_out_ug": str(balance.dry_out_ug),
        "estimated_out_ug": str(balance.estimated_out_ug),
        "provisional": "true",
    }
    # Two mistakes that cancel leave the difference right, and are found all the same.
    assert "unexplained_ug" not in {fault.column for fault in faults}


@pytest.mark.parametrize(
    ("figures", "column", "recomputed"),
    [
        ({"verdict": "closes"}, "verdict", "loss_above_tolerance"),
        ({"tolerance_ppm": 29_999}, "tolerance_ppm", "one of [30000]"),
    ],
)
def test_a_verdict_or_a_tolerance_that_nobody_stated_is_named(
    plant: Plant, figures: dict[str, Any], column: str, recomputed: str
):
    run = wash(plant)
    faults = rewritten(plant, run, **figures)
    assert [(fault.tables, fault.column, fault.recomputed) for fault in faults] == [(("balance",), column, recomputed)]


def test_a_closed_run_without_balance_is_named(plant: Plant):
    run = start(plant, "wash")

    def verb(entry: Entry) -> None:
        entry.open(1, "mistake_made")
        process = get_process(entry.session, run)
        entry.revise(process, "a mistake", is_closed=True, ended_at=process.started_at.replace(hour=20))

    plant.writer.run(1, verb)
    assert [(fault.tables, fault.key) for fault in verify_database(plant.database)] == [
        (("balance",), f"process_id={run}")
    ]
