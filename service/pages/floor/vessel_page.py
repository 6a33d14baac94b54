"""The page of one vessel: what stands in it, charge it, draw from it, prove it empty."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from fastapi import Response
from sqlmodel import col

from service.core.quantities import SHARE_ONE, parse_kg, percent_half_up
from service.errors import NotFound
from service.journal.tables import site_of
from service.lineage.basis import WORDS
from service.lineage.regimes import model_of
from service.lots.queries import materials_of
from service.lots.rows import lot_rows_where
from service.lots.statuses import Category, Direction, LotKind
from service.lots.tables import Lot
from service.pages.desk import Desk
from service.pages.floor.entries import AMOUNTS
from service.pages.floor.look import WHO_LIFTS, looks_of
from service.pages.floor.run_page import material_options
from service.pages.floor.stay import stays_shown, stops_shown
from service.pages.floor.words import KINDS_MADE, clock, for_people, level_words, span_text
from service.pages.forms import Form, form_of
from service.pages.frame import page
from service.pages.scan import kind_words
from service.plant.queries import list_current
from service.plant.statuses import VesselKind
from service.plant.tables import Equipment, Material
from service.runs.queries import latest_lines, lines_out
from service.vessels.queries import current_period, get_vessel, vessel_out
from service.vessels.schemas import VesselOut

LINES_SHOWN = 12
CONTENT_SHOWN = 12
SAID = {
    "charged": "The lot is in the vessel.",
    "emptied": "Proven empty: what is drawn from now on cannot hold what stood here before.",
    "corrected": "The line is corrected; the earlier version stays on record.",
    "withdrawn": "The line is withdrawn; it stays on record.",
}


@dataclass(frozen=True)
class PartShown:
    """Part of what stands in a vessel, by the lot it was charged with."""

    code: str
    what: str
    dry_kg: str
    percent: str


@dataclass(frozen=True)
class MovementShown:
    """A charge or a draw."""

    id: int
    code: str
    what: str
    went: str
    mass_kg: str
    at: str


def own_vessel(desk: Desk, vessel_id: int) -> Equipment:
    """A vessel of the plant one works at.

    Raises
    ------
    NotFound : there is none, or it is another plant's.
    """
    vessel = get_vessel(desk.session, vessel_id)
    if site_of(vessel.id) != desk.site.site_no:
        raise NotFound("vessel-not-found", f"This plant has no vessel {vessel_id}.", "Choose one on the floor page.")
    return vessel


def vessel_page(
    desk: Desk, vessel_id: int, form: Form | None = None, *, drawn: str = "", said: str = "", everything: bool = False
) -> Response:
    """The page of a vessel, with the form that was refused if one was."""
    vessel = own_vessel(desk, vessel_id)
    form = form and for_people(form, desk)
    out = vessel_out(desk.session, vessel)
    movements, last_draw = _movements(desk, vessel_id)
    as_last_time: dict[str, str | None] = {}
    if last_draw is not None:
        as_last_time = {"kind": last_draw[0].value, "material": last_draw[1]}
    return page(
        "floor/vessel.html",
        form.status if form else 200,
        desk=desk,
        place="/floor",
        vessel=out,
        is_line=vessel.kind is VesselKind.WASH_LINE,
        counts_as=WORDS[model_of(None, vessel.mixing).regime],
        stays=stays_shown(desk, vessel),
        stops=stops_shown(desk, vessel),
        since=clock(desk, out.since),
        level=level_words(parse_kg(out.content_dry_kg) * 10**6, parse_kg(out.capacity_kg)),
        parts_shown=_parts(desk, out),
        movements=movements,
        drawn=next((movement for movement in movements if movement.code == drawn and movement.went == "out"), None),
        said=SAID.get(said, ""),
        everything=everything,
        content_shown=CONTENT_SHOWN,
        amounts=AMOUNTS,
        who_lifts=WHO_LIFTS,
        looks=looks_of(desk, form, "codes"),
        refused=form if form and form.is_refused else None,
        charge=form_of("charge", form),
        draw=form_of("draw", form, **as_last_time),
        empty=form_of("empty", form),
        kinds=[(kind.value, kind_words(kind)) for kind in KINDS_MADE],
        categories=[(Category.PRODUCT.value, "to go on with"), (Category.WASTE.value, "waste")],
        materials=material_options(list_current(desk.session, Material)),
    )


def _parts(desk: Desk, out: VesselOut) -> list[PartShown]:
    """What stands in the vessel, the largest part first."""
    lots = {lot.code: lot.id for lot in lot_rows_where(desk.session, col(Lot.code).in_([p.lot for p in out.content]))}
    materials = materials_of(desk.session, lots.values())
    parts = sorted(out.content, key=lambda part: Decimal(part.share), reverse=True)
    return [
        PartShown(
            code=part.lot,
            what=materials[lots[part.lot]].name,
            dry_kg=part.dry_kg,
            percent=_share_words(Decimal(part.share)),
        )
        for part in parts
    ]


def _share_words(share: Decimal) -> str:
    """A share in percent; a trace is never shown as nothing."""
    percent = percent_half_up(int(share * SHARE_ONE), SHARE_ONE)
    return str(percent) if percent or not share else "under 0.01"


def _movements(desk: Desk, vessel_id: int) -> tuple[Sequence[MovementShown], tuple[LotKind, str] | None]:
    """The last charges and draws of the present period, and kind and material of the last draw."""
    session = desk.session
    period = current_period(session, vessel_id)
    charges = latest_lines(session, period.id, Direction.IN, LINES_SHOWN)
    draws = latest_lines(session, period.id, Direction.OUT, LINES_SHOWN)
    rows = sorted([*charges, *draws], key=lambda line: line.id, reverse=True)[:LINES_SHOWN]
    lines = lines_out(session, rows)
    lots = {lot.code: lot for lot in lot_rows_where(session, col(Lot.code).in_([line.lot for line in lines]))}
    materials = materials_of(session, [lot.id for lot in lots.values()])
    shown = []
    last_draw = None
    for line in lines:
        if line.lot is None:
            continue
        lot = lots[line.lot]
        is_draw = line.direction is Direction.OUT
        if is_draw and last_draw is None:
            last_draw = (lot.kind, materials[lot.id].code)
        shown.append(
            MovementShown(
                id=line.id,
                code=line.lot,
                what=materials[lot.id].name,
                went="out" if is_draw else "in",
                mass_kg=line.mass_kg or "",
                at=span_text(desk, line.start_at, line.end_at),
            )
        )
    return shown, last_draw
