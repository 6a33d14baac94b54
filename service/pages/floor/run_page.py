"""The page of one run: feed it, see what went in and came out, end it, and read its balance."""

from collections.abc import Sequence
from typing import Any

from fastapi import Response

from service.core.quantities import kg_text
from service.errors import NotFound
from service.journal.tables import site_of
from service.lots.queries import get_process
from service.lots.statuses import Category, Direction
from service.lots.tables import Process
from service.pages.desk import Desk
from service.pages.floor.entries import AMOUNTS
from service.pages.floor.look import WHO_LIFTS, looks_of
from service.pages.floor.run_view import NOTHING_DONE, Done, balances_of, run_shown
from service.pages.floor.words import (
    KINDS_MADE,
    cause_words,
    doubt_words,
    for_people,
    percent_of_fraction,
    signed_kg,
    verdict_words,
)
from service.pages.forms import Form, form_of
from service.pages.frame import page
from service.pages.scan import kind_words
from service.plant.queries import list_current
from service.plant.statuses import MaterialForm
from service.plant.tables import ContainerType, Material
from service.runs.queries import UsualOutput, latest_lines, tares_of_line, usual_kind, usual_outputs
from service.runs.schemas import RUN_STEPS

SAID = {
    "started": "The run is open. Scan what goes in.",
    "lost": "The loss is booked.",
    "ended": "The run has ended.",
    "corrected": "The line is corrected; the earlier version stays on record.",
    "withdrawn": "The line is withdrawn; it stays on record.",
}


def own_run(desk: Desk, run_id: int) -> Process:
    """A run of the plant one works at.

    Raises
    ------
    NotFound : there is none, or it is another plant's.
    """
    run = get_process(desk.session, run_id)
    if run.step not in RUN_STEPS or site_of(run.id) != desk.site.site_no:
        raise NotFound("run-not-found", f"This plant has no run {run_id}.", "Choose a run on the floor page.")
    return run


def run_page(
    desk: Desk,
    run_id: int,
    form: Form | None = None,
    *,
    done: Done = NOTHING_DONE,
    everything: bool = False,
    late: bool = False,
    scanned: str = "",
) -> Response:
    """The page of a run, with the form that was refused if one was.

    Parameters
    ----------
    everything : all lines instead of the latest.
    late : of a run that has ended, the forms instead of its balance.
    scanned : the code of a lot that was just scanned to be fed.
    """
    run = own_run(desk, run_id)
    form = form and for_people(form, desk)
    ended_twice = form is not None and form.name == "end" and run.is_closed
    wants_forms = not run.is_closed or late or (form is not None and not ended_twice)
    balance, earlier = (None, []) if wants_forms else balances_of(desk, run_id)
    shown = run_shown(desk, run, done, everything=everything)
    return page(
        "floor/run.html",
        form.status if form else 200,
        desk=desk,
        place="/floor",
        run=shown,
        done=done,
        said=SAID.get(done.said, ""),
        balance=balance,
        verdict=verdict_words(balance.verdict) if balance else None,
        doubt_word=doubt_words(balance.doubt_verdict) if balance and balance.doubt_verdict else "",
        cause_words=cause_words,
        signed_kg=signed_kg,
        percent=percent_of_fraction,
        earlier=earlier,
        ended_twice=ended_twice,
        wants_forms=wants_forms,
        **(_forms(desk, run, form, scanned) if wants_forms else {}),
    )


def _forms(desk: Desk, run: Process, form: Form | None, scanned: str) -> dict[str, Any]:
    """The forms of a run for its template, and what stands to choose in them."""
    materials, usual = list_current(desk.session, Material), usual_outputs(desk.session, run)
    return {
        "refused": form if form and form.is_refused else None,
        "feed": form_of("feed", form, codes=scanned),
        "bag": form_of("bag", form, **_as_last_time(desk, run, usual)),
        "side": form_of("side", form, category=Category.BY_PRODUCT.value),
        "loss": form_of("loss", form, category=Category.WASTE.value),
        "end": form_of("end", form),
        "amounts": AMOUNTS,
        "who_lifts": WHO_LIFTS,
        "looks": looks_of(desk, form, "codes"),
        "kinds": [(kind.value, kind_words(kind)) for kind in KINDS_MADE],
        "materials": material_options(materials),
        "side_materials": material_options(materials, first=MaterialForm.BY_PRODUCT),
        "containers": list_current(desk.session, ContainerType),
        "kg_text": kg_text,
        "streams": _streams(usual),
    }


def _as_last_time(desk: Desk, run: Process, usual: Sequence[UsualOutput]) -> dict[str, str | None]:
    """What the next bag of a run is most likely: the same as the last one, in the same packaging."""
    product = next((output for output in usual if output.category is Category.PRODUCT), None)
    kind = product.kind if product is not None and product.kind is not None else usual_kind(run.step)
    values: dict[str, str | None] = {"kind": kind.value, "material": product.material if product else None}
    last = latest_lines(desk.session, run.id, Direction.OUT, 1)
    if last and last[0].category is Category.PRODUCT:
        values |= {f"tare-{code}": str(count) for code, count in tares_of_line(desk.session, last[0].id).items()}
    return values


def material_options(materials: Sequence[Material], first: MaterialForm | None = None) -> list[tuple[str, str]]:
    """Materials to choose from, those of one form before the others; the first choice is none."""
    ordered = sorted(materials, key=lambda material: material.form is not first)
    return [("", "Choose"), *((material.code, f"{material.name} ({material.code})") for material in ordered)]


def _streams(usual: Sequence[UsualOutput]) -> dict[str, list[str]]:
    """Names of streams to offer: of lots, and of losses."""
    lots = [output.stream for output in usual if output.kind is not None]
    losses = [output.stream for output in usual if output.kind is None]
    return {"lots": list(dict.fromkeys(lots)), "losses": list(dict.fromkeys(losses))}
