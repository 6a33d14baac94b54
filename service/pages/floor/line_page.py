"""The page on which one line of a run or a vessel is corrected or withdrawn."""

from dataclasses import dataclass

from fastapi import Response

from service.errors import NotFound
from service.journal.read import get_current
from service.journal.tables import site_of
from service.lots.queries import get_process
from service.lots.statuses import Direction, Step
from service.lots.tables import Line
from service.pages.desk import Desk
from service.pages.floor.words import category_words, clock, for_people, percent_of_fraction, span_text, step_words
from service.pages.forms import Form, Typed, form_of
from service.pages.frame import page
from service.runs.queries import lines_out
from service.runs.schemas import RUN_STEPS, LineCorrectionIn

CORRECT, WITHDRAW = "correct", "withdraw"
WAYS = ((CORRECT, "Correct it: only what is filled in below changes"), (WITHDRAW, "Withdraw it: it never was so"))
NAMES = {
    "/mass_kg": "mass_kg",
    "/moisture_fraction": "moisture",
    "/start_at": "begun",
    "/end_at": "done",
    "/withdraw": "way",
    "/reason": "reason",
}


@dataclass(frozen=True)
class Place:
    """Where a line belongs: the page to go back to."""

    path: str
    words: str


def place_of(desk: Desk, line_id: int) -> tuple[Line, Place]:
    """A line of the plant one works at, and its run or vessel.

    Raises
    ------
    NotFound : there is none here, or it was withdrawn.
    """
    line = get_current(desk.session, Line, line_id, "line")
    process = get_process(desk.session, line.process_id)
    if site_of(line_id) == desk.site.site_no and process.step in RUN_STEPS:
        words = f"{step_words(process.step)} of {clock(desk, process.started_at)}"
        return line, Place(f"/floor/runs/{process.id}", words)
    if site_of(line_id) == desk.site.site_no and process.step is Step.VESSEL_PERIOD:
        return line, Place(f"/floor/vessels/{process.equipment_id}", "the vessel")
    raise NotFound("line-not-found", f"There is no line {line_id} on this floor.", "Choose it on the page of its run.")


def line_page(desk: Desk, line_id: int, form: Form | None = None) -> Response:
    """One line, and the form to put it right."""
    row, place = place_of(desk, line_id)
    form = form and for_people(form, desk)
    [line] = lines_out(desk.session, [row])
    return page(
        "floor/line.html",
        form.status if form else 200,
        desk=desk,
        line=line,
        place="/floor",
        back=place,
        at=span_text(desk, line.start_at, line.end_at),
        category=category_words(line.category),
        went="went in" if line.direction is Direction.IN else "came out",
        percent=percent_of_fraction,
        ways=WAYS,
        correction=form_of("correction", form, way=CORRECT),
    )


def correction_in(typed: Typed) -> LineCorrectionIn:
    """A correction or a withdrawal."""
    withdraw = typed.text("way") == WITHDRAW
    fields = {
        "mass_kg": typed.kg("mass_kg"),
        "moisture_fraction": typed.percent("moisture"),
        "start_at": typed.moment("begun"),
        "end_at": typed.moment("done"),
    }
    filled = any(typed.text(name) for name in ("mass_kg", "moisture", "begun", "done"))
    if withdraw and filled:
        typed.blame("way", "A line that is withdrawn keeps its figures: leave the fields below empty.")
    elif not withdraw and not filled:
        typed.blame("way", "Fill in below what is to be corrected, or withdraw the line.")
    return typed.body(LineCorrectionIn, {"reason": typed.text("reason"), "withdraw": withdraw} | fields)
