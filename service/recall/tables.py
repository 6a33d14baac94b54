"""A recall, real or mock, and what was found of it in the plant.

The list of what is affected is no fact: it is computed, as it was known when the recall began.
"""

from datetime import datetime

from sqlalchemy import BigInteger, CheckConstraint
from sqlmodel import Field

from service.db import UtcDateTime, enum_column
from service.journal.tables import VersionedFact, version_checks
from service.lots.statuses import HoldSubject
from service.lots.tables import window_checks
from service.recall.statuses import FindingHow


class Recall(VersionedFact, table=True):
    """Somebody asked for everything a subject is in, at the server's time `effective_at`; a real one holds it all.

    `is_excursion` : of a vessel, everything that was inside in its time is meant, not only what was drawn then.
    Closing the search is the next version; it lifts no hold.
    """

    __tablename__ = "recall"
    __table_args__ = (
        *version_checks(),
        *window_checks(),
        CheckConstraint("NOT is_excursion OR (subject_kind = 'vessel' AND to_at IS NOT NULL)", name="excursion"),
        CheckConstraint(
            "(is_mock AND hold_id IS NULL) OR (NOT is_mock AND hold_id IS NOT NULL)", name="real_one_holds"
        ),
        CheckConstraint("closed_at IS NULL OR closed_at >= effective_at", name="closed_after_start"),
    )

    is_mock: bool
    subject_kind: HoldSubject = Field(sa_type=enum_column(HoldSubject))
    subject_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    from_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    to_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    is_excursion: bool
    cause_id: int = Field(sa_type=BigInteger, foreign_key="text_commitment.id")
    hold_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")
    closed_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class RecallFinding(VersionedFact, table=True):
    """A lot, or the content of a vessel, that somebody found during a recall: where, how much, how known.

    Who found it stands in the journal entry, when in `effective_at`.
    """

    __tablename__ = "recall_finding"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("(lot_id IS NULL) <> (equipment_id IS NULL)", name="lot_or_vessel"),
        CheckConstraint("mass_g > 0", name="mass"),
    )

    recall_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    lot_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")
    equipment_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")
    mass_g: int = Field(sa_type=BigInteger)
    how: FindingHow = Field(sa_type=enum_column(FindingHow))
    place: str | None = Field(default=None, max_length=64)
