"""Closed lists of recalls."""

from enum import StrEnum


class FindingHow(StrEnum):
    """How somebody knows that a lot is where he says: its label was scanned, or it was seen and its code typed."""

    SCANNED = "scanned"
    SEEN = "seen"
