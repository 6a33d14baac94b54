"""Closed lists of lots, processes and lines."""

from enum import StrEnum

from service.core.mass_balance import Direction

__all__ = [
    "Amount",
    "Category",
    "Direction",
    "HoldSubject",
    "LotKind",
    "LotOrigin",
    "MassBasis",
    "MeasurementBasis",
    "Quantity",
    "Step",
]


class LotKind(StrEnum):
    BALE = "bale"
    LOOSE = "loose"
    FLAKE = "flake"
    PELLETS = "pellets"
    BY_PRODUCT = "by_product"
    VIRGIN = "virgin"
    ADDITIVE = "additive"
    REWORK = "rework"
    CONTAINER = "container"


class LotOrigin(StrEnum):
    """Where a lot's history begins: at the gate, before records began, bought ready, or in a process here."""

    DELIVERY = "delivery"
    OPENING = "opening"
    PROCESS = "process"


class MassBasis(StrEnum):
    WEIGHED = "weighed"
    ALLOCATED = "allocated"
    DECLARED = "declared"


class MeasurementBasis(StrEnum):
    """How well a value is known; `default` and `provisional` make a balance provisional."""

    DEFAULT = "default"
    PROVISIONAL = "provisional"
    MEASURED = "measured"


class Quantity(StrEnum):
    MOISTURE = "moisture_fraction"


class Step(StrEnum):
    """What a process does. The first group are runs of the line, in the order of the plant."""

    LABEL_SEPARATION = "label_separation"
    WASH = "wash"
    RINSE_AND_FLOTATION = "rinse_and_flotation"
    THERMAL_PREHEATING = "thermal_preheating"
    FLAKE_SORTING = "flake_sorting"
    DRYING = "drying"
    EXTRUSION = "extrusion"
    CRYSTALLISING = "crystallising"
    REACTOR = "reactor"
    BAGGING = "bagging"
    RESORTING = "resorting"
    REGRIND = "regrind"
    SPLIT = "split"
    MERGE = "merge"
    PACKING = "packing"
    SHIPPING = "shipping"
    VESSEL_PERIOD = "vessel_period"
    RETURN_TO_SUPPLIER = "return_to_supplier"
    COUNT_CORRECTION = "count_correction"  # what a stock count found less or more than the book


class Amount(StrEnum):
    """How a line states its mass: in figures, all the lot ever held, what is left of it, or a share of dry in."""

    MASS = "mass"
    WHOLE = "whole"
    REST = "rest"
    FRACTION_OF_DRY_IN = "fraction_of_dry_in"


class Category(StrEnum):
    FEED = "feed"
    PRODUCT = "product"
    BY_PRODUCT = "by_product"
    WASTE = "waste"
    LOSS = "loss"
    TIES = "ties"
    INTERNAL_LOOP = "internal_loop"


class HoldSubject(StrEnum):
    """What can be held or recalled; of a vessel, what was drawn from it in a stated time."""

    LOT = "lot"
    DELIVERY = "delivery"
    PARTNER = "partner"
    VESSEL = "vessel"
