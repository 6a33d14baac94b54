"""Closed lists of the weighbridge."""

from enum import StrEnum


class DeliveryForm(StrEnum):
    BALES = "bales"
    LOOSE = "loose"
    PACKED = "packed"


class Decision(StrEnum):
    ACCEPTED = "accepted"
    DEDUCTED = "deducted"
    PART_REJECTED = "part_rejected"
    REJECTED = "rejected"
    QUARANTINED = "quarantined"


class NonFoodStatus(StrEnum):
    """How the share of plastic from non-food use is known; `unclassified` is an answer, `missing` is not."""

    TESTED = "tested"
    STATED = "stated"
    UNCLASSIFIED = "unclassified"
    MISSING = "missing"


class WeighingKind(StrEnum):
    GROSS = "gross"
    TARE = "tare"
    PLATFORM = "platform"


class WeighingOrigin(StrEnum):
    OWN = "own"
    SUPPLIER = "supplier"
    THIRD_PARTY = "third_party"


class WeighingEntry(StrEnum):
    INDICATOR = "indicator"
    MANUAL = "manual"
    STORED_TARE = "stored_tare"


class Purpose(StrEnum):
    PHYSICAL = "physical"
    PAYMENT = "payment"


class DeductionKind(StrEnum):
    TIE = "tie"
    PALLET = "pallet"
    CONTAMINANT = "contaminant"


class RemarkKind(StrEnum):
    """What somebody noticed about a load or a bale when he looked at it."""

    DAMAGED = "damaged"
    WET = "wet"
    ODOUR = "odour"
    CONTAMINATED = "contaminated"
    FOREIGN_OBJECT = "foreign_object"
    OTHER = "other"
