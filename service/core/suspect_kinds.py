"""Closed lists of a reconciliation's words. Apart from the arithmetic, so that naming them loads no solver."""

from enum import StrEnum


class SuspectKind(StrEnum):
    """What can be wrong."""

    READING = "reading"  # the value of one stream
    UNBOOKED = "unbooked"  # a stream nobody booked, out of a node or into it
    SHARED = "shared"  # something several readings rest on


class Identifiability(StrEnum):
    """Whether an error of a plausible size would have been seen."""

    VISIBLE = "visible"
    NOT_IDENTIFIABLE = "not_identifiable"
    NO_BOUND_STATED = "no_bound_stated"


class StreamState(StrEnum):
    """What is known of a stream, and what the balances make of it."""

    MEASURED = "measured"
    EXACT = "exact"
    FOLLOWS = "follows"  # unmeasured, determined by the balances
    UNDETERMINED = "undetermined"  # unmeasured, and no balance determines it
