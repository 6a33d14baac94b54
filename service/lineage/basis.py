"""In words: what the answers about a vessel or a line rest on, and why they are as wide as they are."""

from service.core.flow_model import Regime
from service.lineage.regimes import model_of
from service.plant.statuses import VesselKind
from service.plant.tables import Equipment, Residence

WORDS = {
    Regime.WELL_MIXED: "well mixed",
    Regime.FIRST_IN_FIRST_OUT: "first in, first out",
    Regime.TANKS_IN_SERIES: "stirred tanks in series",
    Regime.PLUG_FLOW: "plug flow",
}


def narrows(vessel: Equipment, statement: Residence | None) -> bool:
    """Whether residence data narrow what may be contained: a report supports them, and order is kept or timed."""
    if statement is None or statement.report_sha256 is None:
        return False
    if vessel.kind is VesselKind.WASH_LINE:
        return statement.residence_min_s is not None
    return model_of(statement, vessel.mixing).keeps_order


def basis_words(vessel: Equipment, statement: Residence | None) -> str:
    """One sentence: the residence data in force with report and validity, or that only the worst case is given."""
    is_line = vessel.kind is VesselKind.WASH_LINE
    widest = "all its run was fed" if is_line else "everything charged since it was last proven empty"
    regime = WORDS[model_of(statement, vessel.mixing).regime]
    if statement is None:
        known_as = "" if is_line else f"counts as {regime}; "
        return f"{vessel.code} {known_as}no residence data are in force, so only the worst case is given: {widest}."
    until = f"until {statement.valid_to.isoformat()}" if statement.valid_to else "until further notice"
    data = f"residence data {statement.id}, in force from {statement.valid_from.isoformat()} {until}"
    if statement.report_sha256 is None:
        return (
            f"{vessel.code} counts as {regime} by {data}; no report supports them, so what may be contained stays "
            f"the worst case: {widest}{' and what its window holds' if is_line else ''}."
        )
    said = f"{vessel.code} counts as {regime} by {data}, report {statement.report_sha256}"
    if narrows(vessel, statement):
        return f"{said}."
    return f"{said}; what mixes never forgets, so what may be contained stays the worst case: {widest}."
