"""How a vessel hands on what it holds: the regime and the numbers that belong to it.

Here: the stated model of one vessel, checked. Not here: what follows from it for a draw (`vessel_ledger`) or
for times (`residence`), and whether anybody proved it.
"""

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["MAX_TANKS", "PPM", "BadFlowModel", "FlowModel", "Regime"]

PPM = 1_000_000
# More tanks than that are plug flow with a small spread, and are better stated as such.
MAX_TANKS = 50


class BadFlowModel(ValueError):
    """A number of tanks or a spread that is out of range or belongs to another regime."""


class Regime(StrEnum):
    """How a vessel hands on what it holds.

    Source : trade practice, no source: silos mix unless designed and proved for mass flow; moving beds come
    close to plug flow, stirred washers to a few stirred tanks.
    """

    WELL_MIXED = "well_mixed"
    FIRST_IN_FIRST_OUT = "first_in_first_out"
    TANKS_IN_SERIES = "tanks_in_series"
    PLUG_FLOW = "plug_flow"


@dataclass(frozen=True, slots=True)
class FlowModel:
    """The stated flow through a vessel.

    Parameters
    ----------
    regime : how the vessel behaves
    tanks : equal stirred tanks in series, 1..50; more than one for tanks in series only
    spread_ppm : plug flow only: what leaves may be older or younger by this part of the mass the vessel holds
        at that moment, parts per million of hold-up mass (not of hours), 0..1,000,000

    Raises
    ------
    BadFlowModel
        If a number is out of range or stated for a regime that has none.
    """

    regime: Regime
    tanks: int = 1
    spread_ppm: int = 0

    def __post_init__(self) -> None:
        if not 1 <= self.tanks <= MAX_TANKS:
            raise BadFlowModel(f"tanks is {self.tanks}: state 1 to {MAX_TANKS}, or plug flow with a spread")
        if not 0 <= self.spread_ppm <= PPM:
            raise BadFlowModel(f"spread_ppm is {self.spread_ppm}: state 0 to {PPM} parts per million of the hold-up")
        if self.tanks > 1 and self.regime is not Regime.TANKS_IN_SERIES:
            raise BadFlowModel(f"tanks is {self.tanks} for {self.regime}: leave it at 1, or state tanks in series")
        if self.spread_ppm and self.regime is not Regime.PLUG_FLOW:
            raise BadFlowModel(f"spread_ppm is {self.spread_ppm} for {self.regime}: leave it at 0, or state plug flow")

    @property
    def keeps_order(self) -> bool:
        """Whether what entered first leaves first, give or take the spread, so that proof can narrow a draw."""
        return self.regime in (Regime.FIRST_IN_FIRST_OUT, Regime.PLUG_FLOW)

    @property
    def is_stirred(self) -> bool:
        """Whether the vessel is one stirred tank; a series of one tank is one."""
        return not self.keeps_order and self.tanks == 1
