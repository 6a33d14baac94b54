"""What somebody counted or read. Nothing here changes the book: an approved count books lines of its own."""

from datetime import datetime

from sqlalchemy import BigInteger, CheckConstraint
from sqlmodel import Field

from service.counts.statuses import LevelHow
from service.db import UtcDateTime, enum_column
from service.journal.tables import VersionedFact, version_checks


class StockCount(VersionedFact, table=True):
    """A session of counting lots, at `effective_at`. Approval by another actor is its next version."""

    __tablename__ = "stock_count"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("approver_id IS NULL OR approver_id <> counter_id", name="another_approves"),
        CheckConstraint("(approver_id IS NULL) = (approved_at IS NULL)", name="approved_by_someone"),
    )

    place: str | None = Field(default=None, max_length=64)
    note_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="text_commitment.id")
    counter_id: int = Field(sa_type=BigInteger, foreign_key="identity.id")
    approver_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")
    approved_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class StockCountLine(VersionedFact, table=True):
    """One lot in a count: not found, found and not weighed (its book mass stands), or found with so much mass.

    `booked_line_id` names the line that approval booked for the difference, if there was one.
    """

    __tablename__ = "stock_count_line"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("is_found OR (mass_g IS NULL AND pieces IS NULL)", name="found_has_mass"),
        CheckConstraint("mass_g IS NULL OR mass_g > 0", name="mass"),
        CheckConstraint("pieces IS NULL OR pieces > 0", name="pieces"),
    )

    count_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    lot_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    is_found: bool
    mass_g: int | None = Field(default=None, sa_type=BigInteger)
    pieces: int | None = None
    booked_line_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")


class LevelReading(VersionedFact, table=True):
    """How full a vessel was at `effective_at`, and of what; its mass follows from dated settings, with its doubt."""

    __tablename__ = "level_reading"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("(how = 'level') = (level_ppm IS NOT NULL)", name="level"),
        CheckConstraint("(how = 'volume') = (volume_l IS NOT NULL)", name="volume"),
        CheckConstraint("(how = 'load_cells') = (mass_g IS NOT NULL)", name="load_cells"),
        CheckConstraint("level_ppm IS NULL OR level_ppm BETWEEN 0 AND 1000000", name="level_fraction"),
        CheckConstraint("volume_l IS NULL OR volume_l >= 0", name="volume_sign"),
        CheckConstraint("mass_g IS NULL OR mass_g >= 0", name="mass_sign"),
        CheckConstraint("moisture_ppm IS NULL OR moisture_ppm BETWEEN 0 AND 1000000", name="moisture"),
    )

    equipment_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    how: LevelHow = Field(sa_type=enum_column(LevelHow))
    level_ppm: int | None = None
    volume_l: int | None = Field(default=None, sa_type=BigInteger)
    mass_g: int | None = Field(default=None, sa_type=BigInteger)
    material_id: int = Field(sa_type=BigInteger, foreign_key="identity.id")
    moisture_ppm: int | None = None
