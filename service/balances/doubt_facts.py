"""What the doubt of lines rests on, read in a fixed number of statements however many lines there are.

Rows in, nothing decided here: `doubt` says what each row makes doubtful and how far.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple, Protocol

from sqlalchemy import or_, select
from sqlmodel import Session, col

from service.journal.one_of import one_of
from service.journal.read import Knowledge, chunks, current, current_by_id
from service.journal.values import current_values, moment_of
from service.lots.queries import materials_of, takes
from service.lots.rows import AMOUNTS, CATEGORIES, DIRECTIONS, LotRow, lot_rows, lot_rows_where
from service.lots.statuses import Amount, Category, Direction, MassBasis
from service.lots.tables import Line, LineTare, Lot, LotMass, Measurement, Process
from service.plant.in_force import SettingsInForce, versions_by_id
from service.plant.statuses import SettingKey
from service.plant.tables import ContainerType, Instrument, Material
from service.weighbridge.masses import Load, physical_pair
from service.weighbridge.queries import loads_of
from service.weighbridge.tables import Delivery, Weighing

KEYS = (
    SettingKey.MOISTURE_U,
    SettingKey.GUESSED_MOISTURE_U,
    SettingKey.ALLOCATION_SPREAD,
    SettingKey.ESTIMATE_HALF_WIDTH,
    SettingKey.UNSTATED_HALF_WIDTH,
    SettingKey.EXPIRED_HALF_WIDTH,
    SettingKey.LISTED_TIE_HALF_WIDTH,
)


class DoubtfulLine(Protocol):
    """What the doubt of a line is read from; `lots.tables.Line` has all of it."""

    @property
    def id(self) -> int: ...
    @property
    def version(self) -> int: ...
    @property
    def process_id(self) -> int: ...
    @property
    def lot_id(self) -> int | None: ...
    @property
    def direction(self) -> Direction: ...
    @property
    def category(self) -> Category: ...
    @property
    def stream(self) -> str: ...
    @property
    def amount(self) -> Amount: ...
    @property
    def mass_g(self) -> int | None: ...
    @property
    def fraction_ppm(self) -> int | None: ...
    @property
    def moisture_id(self) -> int | None: ...
    @property
    def instrument_id(self) -> int | None: ...
    @property
    def gross_g(self) -> int | None: ...
    @property
    def start_at(self) -> datetime: ...


class WeighedLine(NamedTuple):
    """The current version of a line of some lot, as a plain row."""

    id: int
    version: int
    process_id: int
    lot_id: int | None
    direction: Direction
    category: Category
    stream: str
    amount: Amount
    mass_g: int | None
    fraction_ppm: int | None
    moisture_id: int | None
    instrument_id: int | None
    gross_g: int | None
    stored_start_at: Any
    stored_end_at: Any

    @property
    def start_at(self) -> datetime:
        return moment_of(self.stored_start_at)

    @property
    def end_at(self) -> datetime | None:
        return None if self.stored_end_at is None else moment_of(self.stored_end_at)


LINE_COLUMNS = tuple(name.removeprefix("stored_") for name in WeighedLine._fields)


@dataclass(frozen=True)
class LoadedDelivery:
    """A delivery as weighed, with what its net was spread over.

    Parameters
    ----------
    allocated_g : grams by lot, of the lots whose mass is their part of the net.
    weighed_g : grams by lot, of the lots that keep the weight of a scale of their own.
    platform : the latest weighing of a lot on a platform scale, by lot.
    """

    load: Load
    allocated_g: Mapping[int, int]
    weighed_g: Mapping[int, int]
    platform: Mapping[int, Weighing]


@dataclass
class DoubtFacts:
    """Everything that decides how far some lines may be from the truth, as known at one state of knowledge.

    Parameters
    ----------
    steps : what is done in a process, by process, of those with masses that no scale is named for.
    """

    settings: SettingsInForce
    steps: dict[int, str] = field(default_factory=dict)
    instruments: dict[int, list[Instrument]] = field(default_factory=dict)
    container_types: dict[int, list[ContainerType]] = field(default_factory=dict)
    lots: dict[int, LotRow] = field(default_factory=dict)
    materials: dict[int, Material] = field(default_factory=dict)
    materials_of_deliveries: dict[int, Material] = field(default_factory=dict)
    masses: dict[int, LotMass] = field(default_factory=dict)
    lines_of_lot: dict[int, list[WeighedLine]] = field(default_factory=dict)
    tares: dict[tuple[int, int], list[tuple[int, int]]] = field(default_factory=dict)
    deliveries: dict[int, LoadedDelivery] = field(default_factory=dict)
    weighings: dict[int, Weighing] = field(default_factory=dict)


def read_facts(
    session: Session,
    lines: Sequence[DoubtfulLine],
    moistures: Mapping[int, Measurement],
    known: Knowledge | None = None,
    delivery_ids: Sequence[int] = (),
) -> DoubtFacts:
    """Read what `lines` rest on, and the deliveries named besides, whose materials are then read, too.

    Parameters
    ----------
    moistures : the measurements the lines name, by identity.
    """
    facts = DoubtFacts(SettingsInForce(session, KEYS, known))
    of_lots = {line.lot_id for line in lines if line.lot_id is not None}
    facts.lots = lot_rows(session, of_lots)
    if any(measurement.u_value is None for measurement in moistures.values()):
        facts.materials = materials_of(session, of_lots, known)
    openly = {line.lot_id for line in lines if line.lot_id is not None and line.mass_g is None}
    # Ties name the delivery whose list they come from.
    tied = {line.lot_id for line in lines if line.lot_id is not None and line.category is Category.TIES}
    facts.lines_of_lot = _lines_of_lots(session, openly, known) if openly else {}
    of_deliveries = {facts.lots[lot_id].delivery_id for lot_id in openly | tied} - {None}
    _read_deliveries(session, facts, {*delivery_ids, *(found for found in of_deliveries if found)}, openly, known)
    if delivery_ids:
        named = {found.load.delivery.material_id for found in facts.deliveries.values()}
        facts.materials_of_deliveries = current_by_id(session, Material, named, known)
    weighed = [*lines, *(line for group in facts.lines_of_lot.values() for line in group)]
    processes = {line.process_id for line in weighed if line.instrument_id is None}
    facts.steps = dict(current_values(session, Process, ("id", "step"), "id", processes, known)) if processes else {}
    packed = {line.id for line in weighed if line.gross_g is not None}
    facts.tares = _tares(session, packed)
    types = {type_id for tares in facts.tares.values() for type_id, _ in tares}
    facts.container_types = versions_by_id(session, ContainerType, types, known) if types else {}
    scales = {line.instrument_id for line in weighed} | {row.instrument_id for row in facts.weighings.values()}
    facts.instruments = versions_by_id(session, Instrument, {scale for scale in scales if scale is not None}, known)
    return facts


def _lines_of_lots(session: Session, lot_ids: set[int], known: Knowledge | None) -> dict[int, list[WeighedLine]]:
    """Every line that made or takes these lots, oldest identity first; ties are no material."""
    found: dict[int, list[WeighedLine]] = {}
    rows = current_values(session, Line, LINE_COLUMNS, "lot_id", lot_ids, known, without=("category", Category.TIES))
    for number, version, process_id, lot_id, direction, category, stream, amount, *rest in sorted(rows):
        kinds = DIRECTIONS[direction], CATEGORIES[category], stream, AMOUNTS[amount]
        line = WeighedLine(number, version, process_id, lot_id, *kinds, *rest)
        if line.direction is Direction.OUT or takes(line):
            found.setdefault(lot_id, []).append(line)
    return found


def _read_deliveries(
    session: Session, facts: DoubtFacts, delivery_ids: set[int], openly: set[int], known: Knowledge | None
) -> None:
    """The deliveries with all their lots, since a bale's part of the net depends on what the others weigh."""
    deliveries = list(current_by_id(session, Delivery, delivery_ids, known).values()) if delivery_ids else []
    lots: dict[int, list[LotRow]] = {delivery.id: [] for delivery in deliveries}
    for portion in chunks(lots):
        for lot in lot_rows_where(session, col(Lot.delivery_id).in_(portion)):
            lots[lot.delivery_id or 0].append(lot)
    every = openly | {lot.id for group in lots.values() for lot in group}
    facts.masses = current_by_id(session, LotMass, every, known)
    named = {mass.weighing_id for mass in facts.masses.values() if mass.weighing_id is not None}
    of_lots = {lot.id for group in lots.values() for lot in group}
    platform: dict[int, Weighing] = {}
    for weighing in _platform_weighings(session, of_lots, named, known):
        facts.weighings[weighing.id] = weighing
        latest = platform.get(weighing.lot_id or 0)
        if latest is None or (latest.weighed_at, latest.id) < (weighing.weighed_at, weighing.id):
            platform[weighing.lot_id or 0] = weighing
    for load in loads_of(session, deliveries, known) if deliveries else ():
        facts.weighings |= {weighing.id: weighing for weighing in load.weighings}
        group = lots[load.delivery.id]
        facts.lots |= {lot.id: lot for lot in group}
        facts.deliveries[load.delivery.id] = LoadedDelivery(
            load,
            _masses(facts, group, MassBasis.ALLOCATED),
            {} if _is_whole(facts, load, group) else _masses(facts, group, MassBasis.WEIGHED),
            {lot.id: platform[lot.id] for lot in group if lot.id in platform},
        )


def _masses(facts: DoubtFacts, lots: Iterable[LotRow], basis: MassBasis) -> dict[int, int]:
    masses = ((lot.id, facts.masses.get(lot.id)) for lot in lots)
    return {lot_id: mass.material_g for lot_id, mass in masses if mass is not None and mass.basis is basis}


def _is_whole(facts: DoubtFacts, load: Load, lots: Iterable[LotRow]) -> bool:
    """Whether the load is one lot, which then names the truck's gross weighing as its own."""
    pair = physical_pair(load)
    named = {facts.masses[lot.id].weighing_id for lot in lots if lot.id in facts.masses}
    return pair is not None and pair.gross.id in named


def _platform_weighings(
    session: Session, lot_ids: set[int], named: set[int], known: Knowledge | None
) -> Iterable[Weighing]:
    """Weighings of single lots: all of these lots, and those that some mass names."""
    if not lot_ids and not named:
        return ()
    query = current(Weighing, known).where(or_(one_of(col(Weighing.lot_id), "lots"), one_of(col(Weighing.id), "named")))
    rows: Sequence[Weighing] = session.execute(query, {"lots": sorted(lot_ids), "named": sorted(named)}).scalars().all()
    return [row for row in rows if row.lot_id is not None]


def _tares(session: Session, line_ids: set[int]) -> dict[tuple[int, int], list[tuple[int, int]]]:
    """Container type and pieces, by line and its version."""
    found: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for portion in chunks(line_ids):
        columns = col(LineTare.line_id), col(LineTare.line_version), col(LineTare.container_type_id)
        rows = session.execute(select(*columns, col(LineTare.pieces)).where(col(LineTare.line_id).in_(portion)))
        for line_id, version, type_id, pieces in rows:
            found.setdefault((line_id, version), []).append((type_id, pieces))
    return found
