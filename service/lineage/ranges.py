"""What a lot may contain where that is too much to list: vessel periods, since when and until when; and why."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

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
    found = []
    connection = session.connection()
    for portion in chunks(until_codes):
        for period_id, started_at, vessel, first_id in connection.execute(_periods(), {"wanted": portion}).all():
            until = moment_at(until_codes[period_id] // 2)
            found.append(VesselRange(period_id, vessel, moment_of(started_at), first_id != period_id, until))
    return sorted(found, key=lambda one: (one.since, one.vessel))


@cache
def _periods() -> Select[Any]:
    """Vessel periods with their vessel and the period with which it was taken into use: identities come in order."""
    period, vessel, any_period = table_of(Process), table_of(Equipment), table_of(Process).alias("any_period")
    first = select(func.min(any_period.c.id)).where(any_period.c.equipment_id == period.c.equipment_id)
    columns = (*as_stored(period, ("id", "started_at")), vessel.c.code, first.scalar_subquery())
    return select(*columns).where(
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
