"""Closed lists of the plant's master data."""

from enum import StrEnum


class MaterialForm(StrEnum):
    BALES = "bales"
    LOOSE = "loose"
    FLAKE = "flake"
    PELLETS = "pellets"
    BY_PRODUCT = "by_product"
    VIRGIN = "virgin"
    ADDITIVE = "additive"


class WasteClass(StrEnum):
    """Where the plastic came from, decided at origin: it cannot be filled in later."""

    POST_CONSUMER = "post_consumer"
    PRE_CONSUMER = "pre_consumer"
    NONE = "none"
    UNCLASSIFIED = "unclassified"


class InstrumentKind(StrEnum):
    WEIGHBRIDGE = "weighbridge"
    PLATFORM = "platform"
    BELT_WEIGHER = "belt_weigher"
    FEEDER = "feeder"
    LABORATORY = "laboratory"


class SettingKey(StrEnum):
    """Settings the calculations read; each is dated and says where its value comes from."""

    BALANCE_TOLERANCE = "balance_tolerance_fraction"
    DEFAULT_MOISTURE = "default_moisture_fraction"
    SUPPLIER_NET_TOLERANCE = "supplier_net_tolerance_fraction"
    LOT_TOLERANCE = "lot_tolerance_kg"
    # How well things are known. `u` is a standard uncertainty, a half-width the limit of what may be true.
    MOISTURE_U = "moisture_u_fraction"  # of a measured moisture, as fraction of the wet mass
    GUESSED_MOISTURE_U = "guessed_moisture_u_fraction"  # of a default or provisional one
    ALLOCATION_SPREAD = "allocation_spread_fraction"  # of the mass of single bales about their mean
    ESTIMATE_HALF_WIDTH = "estimate_half_width_fraction"  # of a loss estimated from dry input, relative
    UNSTATED_HALF_WIDTH = "unstated_half_width_fraction"  # of a mass of which no scale is stated, relative
    EXPIRED_HALF_WIDTH = "expired_half_width_fraction"  # of what a scale without valid calibration shows, relative
    # What usually comes out, as a fraction of the dry input; scope `step/stream` or `step/stream/MATERIAL` fed.
    EXPECTED_LOW = "expected_low_fraction"
    EXPECTED_HIGH = "expected_high_fraction"
    LABEL_PASS_LEFT = "label_pass_left_fraction"  # of the labels, after one pass of an air classifier
    LISTED_TIE_HALF_WIDTH = "listed_tie_half_width_fraction"  # of the listed mass of wire, strap or pallet, relative
    # How periods are cut and closed.
    PERIOD_TOLERANCE = "period_tolerance_fraction"  # of the dry input; scope 'step/kind of period' or 'site/kind'
    SHIFT_STARTS = "shift_starts"  # on the plant's clock, such as 06:00,14:00,22:00
    AUDIT_YEAR_START = "audit_year_start"  # MM-DD
    BULK_DENSITY = "bulk_density_kg_m3"  # from-to, by material or its form, for level readings
    LEVEL_HALF_WIDTH = "level_half_width_fraction"  # of a vessel's capacity, for levels not from load cells


class VesselKind(StrEnum):
    BAY = "bay"
    SILO = "silo"
    DRYER = "dryer"
    CRYSTALLISER = "crystalliser"
    REACTOR = "reactor"
    BUFFER = "buffer"
    PRE_DRYER = "pre_dryer"
    PREHEATER = "preheater"
    COOLER = "cooler"
    WASH_LINE = "wash_line"  # a line as a whole: its runs feed and discharge it


class VesselEventKind(StrEnum):
    PROVEN_EMPTY = "proven_empty"
    STOP = "stop"  # stood still with material inside


class Mixing(StrEnum):
    """How inputs find their way to outputs: the lineage rule of a process (its balance is another matter)."""

    RUN_MIXED = "run_mixed"
    WELL_MIXED = "well_mixed"
    FIRST_IN_FIRST_OUT = "first_in_first_out"
    TANKS_IN_SERIES = "tanks_in_series"
    PLUG_FLOW = "plug_flow"
