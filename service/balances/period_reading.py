"""What a period's account is read from: the processes that were going on, their lines, the lots they moved.

Rows in, nothing decided here. The number of statements does not depend on how much happened: what a process did is
read by its identity, and what stood at the beginning follows backwards from what stands now, so the years before the
period are not read.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import and_, or_, select
from sqlmodel import Session, col

from service.core.quantities import parse_fraction
from service.journal.one_of import one_of
from service.journal.read import Knowledge, current, stands
from service.journal.tables import SITE_STEP
from service.journal.values import as_stored, moment_of, table_of
from service.lots.rows import line_rows_of_lots
from service.lots.statuses import Amount, Category, Direction, LotOrigin, Step
from service.lots.stock import accounts_of, open_masses
from service.lots.tables import Line, Lot, LotFact, LotMass, LotStock, Measurement, Process
from service.plant.tables import Equipment, Material
from service.weighbridge.tables import Delivery

LINE_COLUMNS = (
    "id", "process_id", "lot_id", "direction", "category", "amount", "mass_g", "fraction_ppm", "moisture_id",
    "start_at", "end_at",
)  # fmt: skip


class ProcessRead(NamedTuple):
    """A process of the site that touches the time asked about."""

    id: int
    step: Step
    equipment_id: int | None
    started_at: datetime
    ended_at: datetime | None
    is_closed: bool

    @property
    def is_vessel(self) -> bool:
        return self.step is Step.VESSEL_PERIOD


class LineRead(NamedTuple):
    """A line; closed lists as text, moments as stored."""

    id: int
    process_id: int
    lot_id: int | None
    direction: str
    category: str
    amount: str
    mass_g: int | None
    fraction_ppm: int | None
    moisture_id: int | None
    stored_start_at: Any
    stored_end_at: Any


class LotRead(NamedTuple):
    """A lot with what its stock is worked out from; `origin_g` is None where its history does not begin here."""

    id: int
    code: str
    delivery_id: int | None
    origin: str
    born_at: datetime
    material_id: int | None
    origin_g: int | None
    tie_g: int


class MoistureRead(NamedTuple):
    id: int
    subject_id: int
    value: str
    basis: str

    @property
    def ppm(self) -> int:
        """Of the wet mass."""
        return parse_fraction(self.value)


@dataclass
class PeriodFacts:
    """Everything read for one question.

    Parameters
    ----------
    lines : of every process that went on at or after the beginning; of a vessel that still is in use, only those at
        or after it.
    standing_g : grams wet by lot, of every lot of which something is there now.
    open_g : grams by lot, what a line of `whole` or `rest` takes of it.
    tied : lots of which wire and strap have come off.
    """

    materials: dict[int, Material]
    vessels: dict[int, Equipment]
    processes: dict[int, ProcessRead]
    lines: list[LineRead]
    lots: dict[int, LotRead] = field(default_factory=dict)
    moistures: dict[int, MoistureRead] = field(default_factory=dict)
    moisture_of: dict[int, MoistureRead] = field(default_factory=dict)
    standing_g: dict[int, int] = field(default_factory=dict)
    born: list[int] = field(default_factory=list)
    open_g: dict[int, int] = field(default_factory=dict)
    tied: set[int] = field(default_factory=set)


class PeriodReader:
    """Reads one site's facts as known at one state of knowledge; counts nothing, decides nothing."""

    def __init__(self, session: Session, site_no: int, known: Knowledge | None) -> None:
        self._session = session
        self._known = known
        self._first = site_no * SITE_STEP
        self._site = site_no

    def read(self, since: datetime) -> PeriodFacts:
        """Everything that moved mass at or after a moment, and what is there now."""
        facts = PeriodFacts(self._materials(), self._vessels(), self._processes(since), [])
        facts.lines = self._lines(facts.processes, since)
        facts.standing_g = self._standing()
        facts.born = self._born(since)
        wanted = {line.lot_id for line in facts.lines if line.lot_id is not None}
        facts.lots = self._lots(wanted | facts.standing_g.keys() | set(facts.born))
        facts.moistures, facts.moisture_of = self._moistures(facts)
        facts.open_g = self._open_masses(facts)
        facts.tied = self._tied(facts)
        return facts

    def _of_site(self, column: Any) -> tuple[Any, Any]:
        return column >= self._first, column < self._first + SITE_STEP

    def _materials(self) -> dict[int, Material]:
        rows = self._session.execute(current(Material, self._known)).scalars()
        return {row.id: row for row in rows}

    def _vessels(self) -> dict[int, Equipment]:
        rows = self._session.execute(current(Equipment, self._known).where(*self._of_site(col(Equipment.id)))).scalars()
        return {row.id: row for row in rows}

    def _processes(self, since: datetime) -> dict[int, ProcessRead]:
        table = table_of(Process)
        not_over = or_(table.c.ended_at.is_(None), table.c.ended_at >= since)
        columns: list[Any] = [table.c[name] for name in ProcessRead._fields]
        standing = stands(table.c, table.alias().c, self._known)
        query = select(*columns).where(*standing, *self._of_site(table.c.id), not_over)
        return {row[0]: ProcessRead(*row) for row in self._session.execute(query)}

    def _lines(self, processes: dict[int, ProcessRead], since: datetime) -> list[LineRead]:
        """Whole processes; of vessels in use only what moved since then."""
        table = table_of(Line)
        standing = stands(table.c, table.alias().c, self._known)
        columns = as_stored(table, LINE_COLUMNS)
        in_use = [one.id for one in processes.values() if one.is_vessel and one.ended_at is None]
        if self._known is not None:
            in_use = []  # what stands in a vessel is kept as it is now: of an earlier state all is read
        whole = sorted(processes.keys() - set(in_use))
        query = select(*columns).where(one_of(table.c.process_id, "wanted"), *standing)
        rows = self._session.execute(query, {"wanted": whole}).all()
        if in_use:
            moved = or_(table.c.start_at >= since, and_(table.c.end_at.is_not(None), table.c.end_at > since))
            rows = [*rows, *self._session.execute(query.where(moved), {"wanted": in_use}).all()]
        return [LineRead(*row) for row in rows]

    def _standing(self) -> dict[int, int]:
        """What is left of each lot, grams wet, as known."""
        query = select(col(LotStock.lot_id), col(LotStock.on_hand_g)).where(
            col(LotStock.on_hand_g) != 0, *self._of_site(col(LotStock.lot_id))
        )
        found = {int(lot_id): int(on_hand_g) for lot_id, on_hand_g in self._session.execute(query)}
        if self._known is None:
            return found
        # Stock is kept as it is now: lots of which something was recorded since are worked out anew.
        since = set(found)
        for table, lot in ((Line, col(Line.lot_id)), (LotMass, col(LotMass.id))):
            later = select(lot).where(~self._known.covers(col(table.seq)), *self._of_site(col(table.seq))).distinct()
            since |= {int(lot_id) for lot_id in self._session.execute(later).scalars() if lot_id is not None}
        accounts = accounts_of(self._session, since, self._known)
        return {lot_id: account.on_hand_g for lot_id, account in accounts.items() if account.on_hand_g}

    def _born(self, since: datetime) -> list[int]:
        """Lots whose history begins here, at or after a moment; what was taken back never came."""
        delivery, mass, later = table_of(Delivery), table_of(LotMass), table_of(LotMass).alias()
        superseded = [later.c.id == mass.c.id, later.c.version > mass.c.version]
        query = select(col(Lot.id)).where(
            col(Lot.born_at) >= since, col(Lot.origin) != LotOrigin.PROCESS, *self._of_site(col(Lot.id))
        )
        withdrawn = select(1).where(mass.c.id == col(Lot.id), mass.c.void)
        if self._known is not None:
            query = query.where(self._known.covers(col(Lot.seq)))
            withdrawn = withdrawn.where(self._known.covers(mass.c.seq))
            superseded.append(self._known.covers(later.c.seq))
        came = select(1).where(
            delivery.c.id == col(Lot.delivery_id), *stands(delivery.c, delivery.alias().c, self._known)
        )
        query = query.where(
            ~withdrawn.where(~select(1).where(*superseded).exists()).exists(),
            or_(col(Lot.delivery_id).is_(None), came.exists()),
        )
        return list(self._session.execute(query).scalars())

    def _lots(self, lot_ids: set[int]) -> dict[int, LotRead]:
        lot, fact, mass = table_of(Lot), table_of(LotFact).alias("fact"), table_of(LotMass).alias("mass")
        facts_of = and_(fact.c.id == lot.c.id, *stands(fact.c, table_of(LotFact).alias().c, self._known))
        mass_of = and_(mass.c.id == lot.c.id, *stands(mass.c, table_of(LotMass).alias().c, self._known))
        named = as_stored(lot, ("id", "code", "delivery_id", "origin", "born_at"))
        query = (
            select(*named, fact.c.material_id, mass.c.material_g, mass.c.tie_g)
            .select_from(lot.outerjoin(fact, facts_of).outerjoin(mass, mass_of))
            .where(one_of(lot.c.id, "wanted"))
        )
        rows = self._session.execute(query, {"wanted": sorted(lot_ids)}).all()
        return {
            number: LotRead(number, code, delivery_id, origin, moment_of(born), material_id, origin_g, tie_g or 0)
            for number, code, delivery_id, origin, born, material_id, origin_g, tie_g in rows
        }

    def _moistures(self, facts: PeriodFacts) -> tuple[dict[int, MoistureRead], dict[int, MoistureRead]]:
        """The measurements that lines name, and those of lots and deliveries, by what they are of."""
        table = table_of(Measurement)
        named = {line.moisture_id for line in facts.lines if line.moisture_id is not None}
        subjects = facts.lots.keys() | {lot.delivery_id for lot in facts.lots.values() if lot.delivery_id is not None}
        query = select(*as_stored(table, MoistureRead._fields)).where(*stands(table.c, table.alias().c, self._known))
        by_id = query.where(one_of(table.c.id, "wanted"))
        by_subject = query.where(one_of(table.c.subject_id, "wanted"))
        of_lines = [MoistureRead(*row) for row in self._session.execute(by_id, {"wanted": sorted(named)})]
        of_lots = [MoistureRead(*row) for row in self._session.execute(by_subject, {"wanted": sorted(subjects)})]
        return {one.id: one for one in of_lines}, {one.subject_id: one for one in of_lots}

    def _open_masses(self, facts: PeriodFacts) -> dict[int, int]:
        """What is taken of lots by lines without a figure."""
        openly = [line for line in facts.lines if line.mass_g is None and line.lot_id is not None]
        whole = {line.lot_id or 0 for line in openly if line.amount == Amount.WHOLE}
        found = {lot_id: origin_g for lot_id in whole if (origin_g := facts.lots[lot_id].origin_g) is not None}
        # Most lots that came in and were taken whole gave nothing else; a count may have missed some of one since.
        for lot_id in self._given_in_figures(found):
            del found[lot_id]
        others = {line.lot_id or 0 for line in openly} - found.keys()
        if others:
            lines = line_rows_of_lots(self._session, others, self._known)
            found |= open_masses(lines, {lot_id: facts.lots[lot_id].origin_g for lot_id in others})
        return found

    def _given_in_figures(self, lot_ids: Iterable[int]) -> set[int]:
        """Those of these lots of which some line takes a stated mass."""
        table = table_of(Line)
        query = select(table.c.lot_id).where(
            one_of(table.c.lot_id, "wanted"),
            table.c.direction == Direction.IN,
            table.c.category != Category.TIES,
            table.c.mass_g.is_not(None),
            *stands(table.c, table.alias().c, self._known),
        )
        return set(self._session.execute(query, {"wanted": sorted(lot_ids)}).scalars())

    def _tied(self, facts: PeriodFacts) -> set[int]:
        """Lots with wire or strap that came off at some time, as far as anything of them is there still."""
        wanted = [lot_id for lot_id in facts.standing_g if facts.lots[lot_id].tie_g]
        table = table_of(Line)
        query = select(table.c.lot_id).where(
            one_of(table.c.lot_id, "wanted"), table.c.category == "ties", *stands(table.c, table.alias().c, self._known)
        )
        opened = set(self._session.execute(query, {"wanted": wanted}).scalars()) if wanted else set()
        return opened | {line.lot_id for line in facts.lines if line.category == "ties" and line.lot_id is not None}


def waste_lots(session: Session, lot_ids: Iterable[int], known: Knowledge | None) -> set[int]:
    """Those of these lots that came out of some process as waste."""
    table = table_of(Line)
    query = select(table.c.lot_id).where(
        one_of(table.c.lot_id, "wanted"),
        table.c.direction == "out",
        table.c.category == "waste",
        *stands(table.c, table.alias().c, known),
    )
    return set(session.execute(query, {"wanted": sorted(lot_ids)}).scalars())
