"""Closed lists of papers."""

from enum import StrEnum


class PaperKind(StrEnum):
    LOT_RECORD = "lot_record"
