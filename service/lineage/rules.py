"""How the vessel of a period hands on what it holds, as `derive_vessel` asks for it."""

from sqlmodel import Session

from service.core.flow_model import FlowModel
from service.lineage.flows import ProcessRow
from service.lineage.regimes import Regimes, model_of
from service.lots.rows import LineRow

UG_PER_G = 10**6


class VesselRules:
    """Looks up regimes and proofs, each vessel once."""

    def __init__(self, session: Session) -> None:
        self._regimes = Regimes(session)

    def models(self, period: ProcessRow) -> list[FlowModel]:
        """Every model that may hold for a vessel at some time."""
        stated = {model_of(row, period.mixing) for row in self._regimes.statements_of(period.equipment_id or 0)}
        return list(stated | {model_of(None, period.mixing)})

    def capacity_ug(self, period: ProcessRow) -> int:
        """What the vessel is made for, micrograms."""
        vessel = self._regimes.vessel_of(period)
        return 0 if vessel is None else vessel.capacity_g * UG_PER_G

    def model_at(self, period: ProcessRow, line: LineRow) -> FlowModel:
        """The model in force for a draw."""
        return self._regimes.model_at(period, line.start_at)

    def keeps_order(self, period: ProcessRow, line: LineRow) -> bool:
        """Whether a report lets the order of the charges narrow what may be in a draw."""
        is_ordered = self.model_at(period, line).keeps_order
        return is_ordered and self._regimes.is_proven(period, line.start_at, line.end_at)
