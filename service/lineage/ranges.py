"""What a lot may contain where that is too much to list: vessel periods, since when and until when; and why."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any, NamedTuple

from sqlalchemy import BigInteger, Select, bindparam, func, select
from sqlmodel import Session, col

from service.journal.one_of import one_of
from service.journal.read import chunks, stands
from service.journal.values import as_stored, moment_of, table_of
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
    vessel : its code.
    since : when its period began.
    is_proven_empty : whether it was proven empty then; else it was taken into use then.
    until : nothing charged later can be in it.
    """

    period_id: int
    vessel: str
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
            f"Vessel {self.vessel} {began} on {self.since.date().isoformat()}: whatever was charged into it until "
            f"{self.until:%Y-%m-%d %H:%M} UTC may be in the lot, and whatever that may contain."
        )


def ranges_of(session: Session, until_codes: Mapping[int, int]) -> list[VesselRange]:
    """Vessel periods with the code until which each may be in something, the oldest first."""
    found = [
        VesselRange(one.id, one.vessel, one.started_at, one.is_proven_empty, moment_at(until_codes[one.id] // 2))
        for one in vessel_periods(session, until_codes)
    ]
    return sorted(found, key=lambda one: (one.since, one.vessel))


class VesselPeriod(NamedTuple):
    """A period of a vessel, from one proof that it was empty to the next.

    Parameters
    ----------
    vessel : its code.
    is_proven_empty : whether it was proven empty when the period began; else it was taken into use then.
    """

    id: int
    vessel: str
    started_at: datetime
    ended_at: datetime | None
    is_proven_empty: bool


def vessel_periods(session: Session, period_ids: Iterable[int]) -> list[VesselPeriod]:
    """Several vessel periods, in no order."""
    found = []
    for portion in chunks(set(period_ids)):
        rows = session.connection().execute(_periods(), {"wanted": portion}).all()
        for period_id, vessel, started_at, ended_at, first_id in rows:
            ended = None if ended_at is None else moment_of(ended_at)
            found.append(VesselPeriod(period_id, vessel, moment_of(started_at), ended, first_id != period_id))
    return found


@cache
def _periods() -> Select[Any]:
    # Identities are given in order: the first period of a vessel is the one with which it was taken into use.
    period, vessel, any_period = table_of(Process), table_of(Equipment), table_of(Process).alias("any_period")
    first = select(func.min(any_period.c.id)).where(any_period.c.equipment_id == period.c.equipment_id)
    moments = as_stored(period, ("started_at", "ended_at"))
    return select(period.c.id, vessel.c.code, *moments, first.scalar_subquery()).where(
        one_of(period.c.id, "wanted"),
        vessel.c.id == period.c.equipment_id,
        *stands(period.c, table_of(Process).alias().c, None),
        *stands(vessel.c, table_of(Equipment).alias().c, None),
    )


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
