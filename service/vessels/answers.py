"""Answers to the questions of time, each with what it rests on."""

from dataclasses import dataclass
from datetime import datetime

from service.plant.tables import Residence


@dataclass(frozen=True)
class Basis:
    """What an answer rests on.

    Parameters
    ----------
    statement : the residence data in force when the interval asked about began; None if there were none.
    is_worst_case : no report narrows the answer.
    words : the same as a sentence.
    """

    statement: Residence | None
    is_worst_case: bool
    words: str


@dataclass(frozen=True)
class EntryWindow:
    """When what left a vessel in an interval had entered it.

    Parameters
    ----------
    from_at, to_at : complete; None if the book knows of nothing that left.
    expected_from_at, expected_to_at : by the regime as stated, proven or not.
    """

    from_at: datetime | None
    to_at: datetime | None
    expected_from_at: datetime | None
    expected_to_at: datetime | None
    basis: Basis


@dataclass(frozen=True)
class SuspectDischarge:
    """What left a vessel from the beginning of an excursion until all that was inside during it was out.

    Parameters
    ----------
    to_at : None while some of it may still be inside.
    dry_ug : mass discharged in that time so far, micrograms dry.
    lots : identities of the lots drawn in that time, in the order in which they were drawn.
    """

    from_at: datetime
    to_at: datetime | None
    dry_ug: int
    lots: tuple[int, ...]
    basis: Basis
