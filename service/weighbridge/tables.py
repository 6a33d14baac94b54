"""Deliveries, weighings and remarks. One delivery is one truck and one weighbridge ticket with several weighings."""

from datetime import datetime

from sqlalchemy import BigInteger, CheckConstraint, Index, LargeBinary, text
from sqlmodel import Field, SQLModel

from service.db import UtcDateTime, enum_column
from service.journal.tables import SITE_STEP, VersionedFact, version_checks
from service.weighbridge.statuses import (
    Decision,
    DeductionKind,
    DeliveryForm,
    NonFoodStatus,
    Purpose,
    RemarkKind,
    WeighingEntry,
    WeighingKind,
    WeighingOrigin,
)


def _unique_in_site(name: str, *columns: str) -> Index:
    """A number is given once per site; later versions of the same fact carry the same number."""
    first = text("version = 1")
    site = text(f"(id / {SITE_STEP})")
    return Index(name, site, *columns, unique=True, sqlite_where=first, postgresql_where=first)


class Delivery(VersionedFact, table=True):
    """A truck that came in. A void version is its reversal."""

    __tablename__ = "delivery"
    __table_args__ = (
        *version_checks(),
        _unique_in_site("uq_delivery_ticket", "ticket_no"),
        CheckConstraint("note_count IS NULL OR note_count >= 0", name="note_count"),
        CheckConstraint("counted IS NULL OR counted >= 0", name="counted"),
        CheckConstraint("note_mass_g IS NULL OR note_mass_g > 0", name="note_mass"),
        CheckConstraint("nonfood_ppm IS NULL OR nonfood_ppm BETWEEN 0 AND 1000000", name="nonfood"),
        CheckConstraint("(nonfood_ppm IS NOT NULL) = (nonfood_status IN ('tested', 'stated'))", name="nonfood_known"),
    )

    ticket_no: str = Field(max_length=32)
    supplier_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    carrier_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")
    owner_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")
    material_id: int = Field(sa_type=BigInteger, foreign_key="identity.id")
    contract_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")
    form: DeliveryForm = Field(sa_type=enum_column(DeliveryForm))
    arrived_at: datetime = Field(sa_type=UtcDateTime, index=True)
    plate_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="text_commitment.id")
    driver_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="text_commitment.id")
    note_no: str | None = Field(default=None, max_length=64)
    note_mass_g: int | None = Field(default=None, sa_type=BigInteger)
    note_count: int | None = None
    counted: int | None = None
    order_no: str | None = Field(default=None, max_length=64)
    origin_country: str | None = Field(default=None, max_length=2)
    nonfood_status: NonFoodStatus = Field(sa_type=enum_column(NonFoodStatus))
    nonfood_ppm: int | None = None
    decision: Decision = Field(sa_type=enum_column(Decision))


class Weighing(VersionedFact, table=True):
    """One reading of one scale, with its own time and ticket number. Never deleted, only not chosen."""

    __tablename__ = "weighing"
    __table_args__ = (
        *version_checks(),
        _unique_in_site("uq_weighing_ticket", "ticket_series", "ticket_no", "kind"),
        CheckConstraint("mass_g > 0", name="mass"),
        CheckConstraint("(delivery_id IS NULL) <> (lot_id IS NULL)", name="one_subject"),
        CheckConstraint("(kind = 'platform') = (lot_id IS NOT NULL)", name="platform_weighs_lots"),
        CheckConstraint("origin <> 'own' OR instrument_id IS NOT NULL", name="own_names_scale"),
        CheckConstraint("entry <> 'stored_tare' OR kind = 'tare'", name="stored_tare"),
    )

    delivery_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id", index=True)
    lot_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id", index=True)
    kind: WeighingKind = Field(sa_type=enum_column(WeighingKind))
    mass_g: int = Field(sa_type=BigInteger)
    instrument_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")
    origin: WeighingOrigin = Field(sa_type=enum_column(WeighingOrigin))
    entry: WeighingEntry = Field(sa_type=enum_column(WeighingEntry))
    weighed_at: datetime = Field(sa_type=UtcDateTime)
    ticket_series: str = Field(max_length=32)
    ticket_no: str = Field(max_length=32)
    frame: bytes | None = Field(default=None, sa_type=LargeBinary)


class WeighingChoice(VersionedFact, table=True):
    """Which weighings are valid for one purpose, when it is not simply the latest own ones."""

    __tablename__ = "weighing_choice"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("(agreed_net_g IS NULL) = (gross_id IS NOT NULL AND tare_id IS NOT NULL)", name="one_way"),
        CheckConstraint("agreed_net_g IS NULL OR purpose = 'payment'", name="physics_is_weighed"),
        CheckConstraint("agreed_net_g IS NULL OR agreed_net_g > 0", name="agreed_net"),
    )

    delivery_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    purpose: Purpose = Field(sa_type=enum_column(Purpose))
    gross_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")
    tare_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")
    agreed_net_g: int | None = Field(default=None, sa_type=BigInteger)


class Deduction(VersionedFact, table=True):
    """Mass taken off a delivery's net: ties and pallets for physics, contaminants for payment."""

    __tablename__ = "deduction"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("pieces > 0 AND per_piece_g > 0", name="mass"),
        CheckConstraint("(kind = 'contaminant') = (purpose = 'payment')", name="kind_of_purpose"),
    )

    delivery_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    purpose: Purpose = Field(sa_type=enum_column(Purpose))
    kind: DeductionKind = Field(sa_type=enum_column(DeductionKind))
    pieces: int
    per_piece_g: int = Field(sa_type=BigInteger)


class Attachment(SQLModel, table=True):
    """Erasable: a photo by the SHA-256 of its bytes; it may show people. Erasing sets `content` to NULL.

    Not hashed by the journal: the facts that name the digest are. They stay when the bytes are erased.
    """

    __tablename__ = "attachment"
    __table_args__ = (
        CheckConstraint("length(sha256) = 64", name="sha256"),
        CheckConstraint("media_type = 'image/jpeg'", name="media_type"),
        CheckConstraint("size_bytes > 0", name="size"),
        CheckConstraint("content IS NULL OR length(content) = size_bytes", name="content"),
    )

    sha256: str = Field(primary_key=True, max_length=64)
    media_type: str = Field(max_length=32)
    size_bytes: int
    content: bytes | None = Field(default=None, sa_type=LargeBinary)
    stored_at: datetime = Field(sa_type=UtcDateTime)


class Remark(VersionedFact, table=True):
    """What somebody noticed about a delivery, or about one lot of it; `effective_at` is when he saw it."""

    __tablename__ = "remark"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("kind <> 'other' OR note_id IS NOT NULL", name="other_is_named"),
    )

    delivery_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    lot_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")
    kind: RemarkKind = Field(sa_type=enum_column(RemarkKind))
    note_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="text_commitment.id")
    photo_sha256: str | None = Field(default=None, max_length=64, foreign_key="attachment.sha256", index=True)
