"""What is going on: open runs, what ended last with its balance, and how full the vessels are."""

from dataclasses import dataclass

from fastapi import Response

from service.balances.sentences import RecordedSentence, sentences_of
from service.core.quantities import kg_text
from service.lots.statuses import Step
from service.lots.tables import Process
from service.pages.desk import Desk
from service.pages.floor.words import (
    VerdictWords,
    clock,
    for_people,
    level_words,
    short_kg,
    span_text,
    step_options,
    step_words,
    verdict_words,
)
from service.pages.forms import Form, form_of
from service.pages.frame import page
from service.plant.statuses import VesselKind
from service.runs.queries import RunTotals, ended_runs, open_runs
from service.vessels.queries import VesselLevel, vessel_levels

ENDED_SHOWN = 12


@dataclass(frozen=True)
class OpenCard:
    """A run that goes on."""

    id: int
    title: str
    when: str
    note: str | None
    fed: str
    out: str


@dataclass(frozen=True)
class EndedCard:
    """A run that has ended.

    Parameters
    ----------
    provisional : some moisture behind the balance is not final.
    """

    id: int
    title: str
    when: str
    verdict: VerdictWords
    sentence: str
    provisional: bool


@dataclass(frozen=True)
class VesselCard:
    """A vessel in the list; `overdrawn_kg` is None where its book explains everything."""

    id: int
    name: str
    code: str
    dry_kg: str
    level: str
    overdrawn_kg: str | None


def board_page(desk: Desk, form: Form | None = None) -> Response:
    """The start of the floor pages."""
    form = form and for_people(form, desk)
    in_order = list(Step)  # of the plant
    going_on = sorted(open_runs(desk.session, desk.site.site_no), key=lambda totals: in_order.index(totals.run.step))
    ended = ended_runs(desk.session, desk.site.site_no, ENDED_SHOWN)
    balances = sentences_of(desk.session, [run.id for run in ended])
    return page(
        "floor/board.html",
        form.status if form else 200,
        desk=desk,
        place="/floor",
        now=clock(desk, desk.now),
        going_on=[_open_card(desk, totals) for totals in going_on],
        ended=[_ended_card(desk, run, balances[run.id]) for run in ended],
        vessels=[_vessel_card(level) for level in vessel_levels(desk.session, desk.site.site_no)],
        wash=form_of("wash", form),
        start=form_of("start", form, step=Step.EXTRUSION.value),
        step_options=step_options(),
    )


def _open_card(desk: Desk, totals: RunTotals) -> OpenCard:
    run = totals.run
    return OpenCard(
        id=run.id,
        title=step_words(run.step),
        when=clock(desk, run.started_at),
        note=run.note,
        fed=_lots_words(totals.fed_lots, totals.fed_g),
        out=_lots_words(totals.out_lots, totals.out_g),
    )


def _ended_card(desk: Desk, run: Process, balance: RecordedSentence) -> EndedCard:
    return EndedCard(
        id=run.id,
        title=step_words(run.step),
        when=span_text(desk, run.started_at, run.ended_at),
        verdict=verdict_words(balance.verdict),
        sentence=balance.words,
        provisional=balance.provisional,
    )


def _lots_words(lots: int, grams: int) -> str:
    if not lots:
        return "nothing yet"
    return f"{lots} {'lot' if lots == 1 else 'lots'}, {kg_text(grams).removesuffix('.000')} kg"


def _level(level: VesselLevel) -> str:
    """How full it is; a line has no book of its own."""
    is_line = level.vessel.kind is VesselKind.WASH_LINE
    return "a line: see its runs" if is_line else level_words(level.dry_ug, level.vessel.capacity_g)


def _vessel_card(level: VesselLevel) -> VesselCard:
    return VesselCard(
        id=level.vessel.id,
        name=level.vessel.name,
        code=level.vessel.code,
        dry_kg=short_kg(level.dry_ug),
        level=_level(level),
        overdrawn_kg=short_kg(level.overdrawn_dry_ug) if level.overdrawn_dry_ug else None,
    )
