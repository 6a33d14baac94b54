"""Two small lines of a plant, booked over HTTP, for tests of what was worked out about the lots they made."""

from line_steps import at, charge, discharge, draw, feed, load, opening, out, start, vessel
from plant_fixture import Plant
from time_steps import REPORT, bag, charge_over, clock, draw_over, fed, residence, run_over

from service.lots.queries import get_lot


def plain_line(plant: Plant) -> list[str]:
    """Two washes, a silo that keeps a heel, a first-in-first-out one, and a last run; codes of what was made."""
    washed = []
    for number, supplier in enumerate(("Alpha", "Beta")):
        run = start(plant, "wash", 1 + number)
        feed(plant, run, load(plant, supplier, 1_000), start_at=at(1.5 + number))
        feed(plant, run, opening(plant, "bale", "PET-BALES", "500", "0.04"), start_at=at(1.6 + number))
        washed += discharge(plant, run, out("flake", "FLAKE", "product", "clear", "900", hour=1.9 + number))
    mixed, queued = vessel(plant, "MIXED"), vessel(plant, "QUEUED", "first_in_first_out")
    charge(plant, mixed, washed[0], 4, "500")
    drawn = [draw(plant, mixed, "200", 5)]
    charge(plant, mixed, washed[1], 6, "600")
    drawn.append(draw(plant, mixed, "300", 7))
    charge(plant, queued, drawn[0], 8)
    charge(plant, queued, opening(plant, "flake", "FLAKE", "100"), 9)
    drawn.append(draw(plant, queued, "250", 10))
    run = start(plant, "extrusion", 11)
    feed(plant, run, drawn[1], start_at=at(12))
    feed(plant, run, drawn[2], start_at=at(12))
    return [*washed, *drawn, *discharge(plant, run, out("pellets", "PELLETS", "product", "pellets", "500", hour=13))]


def timed_line(plant: Plant) -> list[str]:
    """A wash with a residence window, and silos that are charged and drawn at the same time; codes of what was made."""
    line = vessel(plant, "WASH-1", "first_in_first_out", kind="wash_line", capacity_kg="8000")
    residence(plant, line, "plug_flow", residence_min_s=25 * 60, residence_max_s=55 * 60, report_sha256=REPORT)
    run = run_over(plant, "WASH-1", clock("08:20"))
    for begin, end in (("08:30", "08:55"), ("08:55", "09:20"), ("09:20", "09:50")):
        fed(plant, run, clock(begin), clock(end))
    bags = [bag(plant, run, clock("09:10"), clock("09:40")), bag(plant, run, clock("09:40"), clock("10:20"))]
    silo = vessel(plant, "SILO-1")
    charge_over(plant, silo, bags[0], clock("11:00"), clock("12:00"))
    charge_over(plant, silo, bags[1], clock("11:45"), clock("12:15"))
    return [*bags, draw_over(plant, silo, "700", clock("11:30"), clock("12:30"))]


def id_of(plant: Plant, code: str) -> int:
    with plant.database.read() as session:
        return get_lot(session, code).id
