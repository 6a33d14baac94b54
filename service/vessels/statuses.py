"""Closed lists of vessels."""

from enum import StrEnum


class VesselEventKind(StrEnum):
    PROVEN_EMPTY = "proven_empty"
