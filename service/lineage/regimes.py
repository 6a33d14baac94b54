"""Which flow holds for a draw or a discharge, and whether it is proven: residence data in force, else the vessel's own.

Read here: what was stated about vessels and lines. Not here: what follows from it for a vessel (`graph`) or a
line (`windows`).
"""

from collections.abc import Iterable, Sequence
from datetime import datetime

from sqlmodel import Session

from service.core.flow_model import FlowModel, Regime
from service.journal.read import Knowledge, find_current
from service.lineage.flows import ProcessRow
from service.plant.residence import holds_throughout, in_force, residences_of_all, stops_of
from service.plant.statuses import Mixing
from service.plant.tables import Equipment, EquipmentEvent, Residence


def model_of(statement: Residence | None, mixing: Mixing) -> FlowModel:
    """The flow that residence data state; that of the vessel itself where there are none."""
    if statement is None:
        return FlowModel(Regime(mixing.value))
    return FlowModel(Regime(statement.regime.value), tanks=statement.tanks or 1, spread_ppm=statement.spread_ppm or 0)


class Regimes:
    """What was stated about vessels and lines, read once each, as known at one state of knowledge."""

    def __init__(self, session: Session, known: Knowledge | None = None) -> None:
        self._session = session
        self._known = known
        self._vessels: dict[int, Equipment | None] = {}
        self._statements: dict[int, list[Residence]] = {}
        self._stops: dict[int, Sequence[EquipmentEvent]] = {}

    def vessel_of(self, process: ProcessRow) -> Equipment | None:
        """The vessel a period belongs to."""
        key = process.equipment_id or 0
        if key not in self._vessels:
            self._vessels[key] = find_current(self._session, Equipment, key, self._known)
        return self._vessels[key]

    def statements_of(self, equipment_id: int) -> Sequence[Residence]:
        """All residence data of a vessel or a line."""
        if equipment_id not in self._statements:
            self.read([equipment_id])
        return self._statements[equipment_id]

    def read(self, equipment_ids: Iterable[int]) -> None:
        """Read what was stated about several vessels and lines at once."""
        missing = set(equipment_ids) - self._statements.keys()
        if missing:
            self._statements |= residences_of_all(self._session, missing, self._known)

    def stops_of(self, equipment_id: int) -> Sequence[EquipmentEvent]:
        """All stops of a vessel or a line."""
        if equipment_id not in self._stops:
            self._stops[equipment_id] = stops_of(self._session, equipment_id, self._known)
        return self._stops[equipment_id]

    def statement_at(self, process: ProcessRow, at: datetime) -> Residence | None:
        """The residence data in force at a moment where a process runs."""
        return None if process.equipment_id is None else in_force(self.statements_of(process.equipment_id), at)

    def model_at(self, process: ProcessRow, at: datetime) -> FlowModel:
        """The flow of a vessel at a moment."""
        return model_of(self.statement_at(process, at), process.mixing)

    def is_proven(self, process: ProcessRow, start_at: datetime, end_at: datetime | None) -> bool:
        """Whether the regime in force is supported by a report for all of an interval, or at a moment (`end_at` None).

        Where residence data are in force their report counts and no other: they replace what stood on the vessel.
        """
        statement = self.statement_at(process, start_at)
        if statement is not None:
            return statement.report_sha256 is not None and holds_throughout(statement, start_at, end_at)
        vessel = self.vessel_of(process)
        if vessel is None or vessel.proof_from is None or vessel.proof_from > start_at:
            return False
        if vessel.proof_to is not None and (end_at or start_at) >= vessel.proof_to:
            return False
        # Residence data that come into force in the middle: then no one regime holds for all of it.
        statements = self.statements_of(process.equipment_id or 0)
        return not any(start_at < other.valid_from < (end_at or start_at) for other in statements)
