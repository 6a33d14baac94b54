"""What a lot may contain where that is too much to list: vessel periods, since when and until when; and why."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache

from sqlalchemy import BigInteger, Select, bindparam, func, select
from sqlmodel import Session, col

from service.journal.read import current_by_id
from service.lineage.flows import draw_code, moment_at
from service.lineage.graph import LotGraph
from service.lineage.stored import EVER, Derived
from service.lineage.tables import VesselReach
from service.lots.tables import Process
from service.plant.tables import Equipment


@dataclass(frozen=True)
class VesselRange:
    """Everything charged into a vessel since it was last proven empty, until something left it.

    Parameters
    ----------
    since : when its period began.
    is_proven_empty : whether it was proven empty then; else it was taken into use then.
    until : nothing charged later can be in it.
    """

    period_id: int
    vessel: Equipment
    since: datetime
    is_proven_empty: bool
    until: datetime

    @property
    def why(self) -> str:
        """Why a lot may contain so much, in one sentence."""
        began = (
            "was last proven empty" if self.is_proven_empty else "was never proven empty since it was taken into use"
        )
        return (
            f"Vessel {self.vessel.code} {began} on {self.since.date().isoformat()}: whatever was charged into it until "
            f"{self.until:%Y-%m-%d %H:%M} UTC may be in the lot, and whatever that may contain."
        )


def ranges_of(session: Session, until_codes: Mapping[int, int]) -> list[VesselRange]:
    """Vessel periods with the code until which each may be in something, the oldest first."""
    periods = current_by_id(session, Process, until_codes)
    vessels = current_by_id(session, Equipment, {period.equipment_id or 0 for period in periods.values()})
    first = _first_periods(session, vessels)
    found = [
        VesselRange(
            period_id=period.id,
            vessel=vessels[period.equipment_id or 0],
            since=period.started_at,
            is_proven_empty=first[period.equipment_id or 0] != period.id,
            until=moment_at(until_codes[period.id] // 2),
        )
        for period in periods.values()
    ]
    return sorted(found, key=lambda one: (one.since, one.vessel.code))


def periods_walked(graph: LotGraph, period_ids: Iterable[int], visited: Iterable[int]) -> dict[int, int]:
    """The same codes for periods that were walked through on the way to some lots.

    A proven order makes nothing wide, and neither does a vessel that was charged once.
    """
    wanted = {period_id for period_id in period_ids if len(graph.fed_into(period_id)) > 1}
    until_codes: dict[int, int] = {}
    for line in (line for lot_id in visited for line in graph.makers_of(lot_id) if line.process_id in wanted):
        if not graph.is_narrowed(line):
            until_codes[line.process_id] = max(draw_code(line), until_codes.get(line.process_id, 0))
    return until_codes


def _first_periods(session: Session, vessel_ids: Iterable[int]) -> dict[int, int]:
    """The period with which each vessel was taken into use: identities are given in order."""
    query = select(col(Process.equipment_id), func.min(col(Process.id))).where(
        col(Process.equipment_id).in_(vessel_ids)
    )
    return {vessel: period for vessel, period in session.execute(query.group_by(col(Process.equipment_id))) if vessel}


def nearest_periods(derived: Derived) -> dict[int, int]:
    """The vessel periods out of which something in a lot may have come, with their codes: complete by themselves,
    since what may be in their charges is in them."""
    return {number: code for number, code in derived.reach.items() if 0 < code < EVER}


def periods_behind(session: Session, derived: Derived) -> dict[int, int]:
    """The same and those behind them, through all vessels."""
    waiting = nearest_periods(derived)
    reached = dict(waiting)
    while waiting:
        period_id, code = waiting.popitem()
        for upstream_id, until in session.execute(_upstream(), {"period": period_id, "code": code, "ever": EVER}):
            if reached.get(upstream_id, -1) < until:
                reached[upstream_id] = waiting[upstream_id] = until
    return reached


@cache
def _upstream() -> Select[int, int]:
    return (
        select(col(VesselReach.source_id), func.max(col(VesselReach.until_code)))
        .where(
            col(VesselReach.period_id) == bindparam("period", type_=BigInteger()),
            col(VesselReach.at_code) < bindparam("code", type_=BigInteger()),
            col(VesselReach.until_code) < bindparam("ever", type_=BigInteger()),
        )
        .group_by(col(VesselReach.source_id))
    )
