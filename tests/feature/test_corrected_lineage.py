"""Goal: after a correction or a withdrawal everything stored about lineage is as if it had been booked so at once.

Method: correct lines and residence data of a small line over HTTP and let `verify` compare all that is stored with the
lines; where a mistake once was, the answer is told by hand as well.
"""

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest
from line_steps import at, draw, vessel
from made_lines import id_of, plain_line, timed_line
from plant_fixture import Plant
from sqlalchemy import select
from stored_lineage import told_in_advance
from tampering import table_of
from time_steps import REPORT, bag, clock, fed, residence, run_over

from service.lots.tables import Line
from service.verify import verify_database


def lines_of(plant: Plant, code: str, direction: str) -> list[int]:
    """Numbers of the lines of a lot, in or out of something."""
    line = table_of(Line)
    query = select(line.c.id).where(line.c.lot_id == id_of(plant, code), line.c.direction == direction)
    with plant.database.read() as session:
        return list(session.execute(query.order_by(line.c.id)).scalars())


def correct(plant: Plant, line_id: int, **change: Any) -> None:
    plant.post(f"/v1/lines/{line_id}/corrections", {"reason": "booked on the wrong day"} | change)


def vessel_of(plant: Plant, code: str) -> int:
    return next(int(vessel["id"]) for vessel in plant.get("/v1/vessels") if vessel["code"] == code)


def nothing_else_drawn(plant: Plant, _lots: list[str]) -> None:
    drawn = draw(plant, vessel_of(plant, "MIXED"), "10", 7.5)
    correct(plant, lines_of(plant, drawn, "out")[0], withdraw=True)


def nothing_packed(plant: Plant, lots: list[str]) -> None:
    correct(plant, lines_of(plant, lots[-1], "out")[0], withdraw=True)


def charge_withdrawn(plant: Plant, lots: list[str]) -> None:
    correct(plant, lines_of(plant, lots[1], "in")[0], withdraw=True)


def charge_earlier_and_smaller(plant: Plant, lots: list[str]) -> None:
    [line] = lines_of(plant, lots[1], "in")
    correct(plant, line, start_at=at(4.5))
    correct(plant, line, mass_kg="60")


def other_regimes(plant: Plant, _lots: list[str]) -> None:
    residence(plant, vessel_of(plant, "MIXED"), "tanks_in_series", tanks=3)
    residence(plant, vessel_of(plant, "QUEUED"), "plug_flow", spread_fraction="0.1", report_sha256=REPORT)


@pytest.mark.parametrize(
    "change", [nothing_else_drawn, nothing_packed, charge_withdrawn, charge_earlier_and_smaller, other_regimes]
)
def test_after_a_correction_all_that_follows_from_it_agrees(
    plant: Plant, change: Callable[[Plant, list[str]], None]
) -> None:
    change(plant, plain_line(plant))
    assert verify_database(plant.database) == ()


def test_residence_data_that_are_withdrawn_leave_no_window_behind(plant: Plant) -> None:
    timed_line(plant)
    line = vessel_of(plant, "WASH-1")
    [stated] = plant.get(f"/v1/vessels/{line}/residence")
    withdrawal = {"withdraw": True, "reason": "of another line"}
    plant.post(f"/v1/vessels/{line}/residence/{stated['id']}/corrections", withdrawal)
    assert verify_database(plant.database) == ()


def test_a_bag_topped_up_through_a_window_counts_each_filling_by_its_mass(plant: Plant) -> None:
    line = vessel(plant, "WASH-1", "first_in_first_out", kind="wash_line", capacity_kg="8000")
    residence(plant, line, "plug_flow", residence_min_s=25 * 60, residence_max_s=55 * 60, report_sha256=REPORT)
    run = run_over(plant, "WASH-1", clock("08:20"))
    early = fed(plant, run, clock("08:30"), clock("08:55"))
    late = fed(plant, run, clock("10:55"), clock("11:20"))
    filled = bag(plant, run, clock("09:20"), clock("09:25"), kg="100")
    bag(plant, run, clock("11:45"), clock("11:50"), kg="900", into=filled)
    with plant.database.read() as session:
        told = told_in_advance(session, filled)
    assert told is not None
    assert told.shares == {early: Fraction(1, 10), late: Fraction(9, 10)}
    assert verify_database(plant.database) == ()


def test_what_was_withdrawn_is_made_of_nothing_any_more(plant: Plant) -> None:
    lots = plain_line(plant)
    nothing_packed(plant, lots)
    with plant.database.read() as session:
        assert told_in_advance(session, lots[-1]) is None
        assert told_in_advance(session, lots[0]) is not None
