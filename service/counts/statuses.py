"""Closed lists of counts and levels."""

from enum import StrEnum


class LevelHow(StrEnum):
    """How the content of a vessel was read: filled to which fraction, how many m3, or weighed where it stands."""

    LEVEL = "level"
    VOLUME = "volume"
    LOAD_CELLS = "load_cells"
