"""Master data tables. All of them are versioned facts; most belong to the log all sites share (site 0)."""

from datetime import datetime

from sqlalchemy import BigInteger, CheckConstraint
from sqlmodel import Field

from service.core.weighing import AccuracyClass
from service.db import UtcDateTime, enum_column
from service.journal.tables import VersionedFact, version_checks
from service.plant.statuses import (
    InstrumentKind,
    MaterialForm,
    Mixing,
    SettingKey,
    VesselEventKind,
    VesselKind,
    WasteClass,
)


def validity_check() -> CheckConstraint:
    """Half-open validity that does not run backwards."""
    return CheckConstraint("valid_to IS NULL OR valid_from < valid_to", name="validity")


class Site(VersionedFact, table=True):
    """A plant: where things are weighed and made. Its log number is `site_no`."""

    __tablename__ = "site"
    __table_args__ = (*version_checks(), CheckConstraint("site_no BETWEEN 1 AND 8191", name="site_no"))

    site_no: int
    code: str = Field(max_length=16)
    name: str = Field(max_length=200)
    zone: str = Field(max_length=64)


class Material(VersionedFact, table=True):
    """What a lot is made of, as the trade names it."""

    __tablename__ = "material"
    __table_args__ = version_checks()

    code: str = Field(max_length=32)
    name: str = Field(max_length=200)
    form: MaterialForm = Field(sa_type=enum_column(MaterialForm))
    polymer: str = Field(max_length=32)
    colour: str = Field(max_length=32)
    waste_class: WasteClass = Field(sa_type=enum_column(WasteClass))
    food_candidate: bool


class Instrument(VersionedFact, table=True):
    """A weighing instrument of a site: accuracy class, Max, verification interval e (OIML R 76 terms).

    `u_reading_g` (per reading) and `u_span_ppm` (shared by all readings of the instrument) come from a
    certificate when there is one; without it the in-service limits of the class apply.
    """

    __tablename__ = "instrument"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("max_g > 0 AND e_g > 0 AND e_g < max_g", name="capacity"),
        CheckConstraint("u_reading_g IS NULL OR u_reading_g > 0", name="u_reading"),
        CheckConstraint("u_span_ppm IS NULL OR u_span_ppm >= 0", name="u_span"),
        CheckConstraint("calibrated_to IS NULL OR calibrated_from < calibrated_to", name="calibration"),
    )

    code: str = Field(max_length=32)
    name: str = Field(max_length=200)
    kind: InstrumentKind = Field(sa_type=enum_column(InstrumentKind))
    accuracy_class: AccuracyClass = Field(sa_type=enum_column(AccuracyClass))
    max_g: int = Field(sa_type=BigInteger)
    e_g: int = Field(sa_type=BigInteger)
    u_reading_g: int | None = Field(default=None, sa_type=BigInteger)
    u_span_ppm: int | None = None
    calibrated_from: datetime | None = Field(default=None, sa_type=UtcDateTime)
    calibrated_to: datetime | None = Field(default=None, sa_type=UtcDateTime)


class ContainerType(VersionedFact, table=True):
    """A pallet, box, bag or octabin with its tare."""

    __tablename__ = "container_type"
    __table_args__ = (
        *version_checks(),
        validity_check(),
        CheckConstraint("tare_g >= 0 AND u_tare_g >= 0", name="tare"),
    )

    code: str = Field(max_length=32)
    name: str = Field(max_length=200)
    tare_g: int = Field(sa_type=BigInteger)
    u_tare_g: int = Field(sa_type=BigInteger)
    valid_from: datetime = Field(sa_type=UtcDateTime)
    valid_to: datetime | None = Field(default=None, sa_type=UtcDateTime)


class Setting(VersionedFact, table=True):
    """A dated value the calculations use, with its source. `scope` is a step, a material code, or ''."""

    __tablename__ = "setting"
    __table_args__ = (*version_checks(), validity_check())

    key: SettingKey = Field(sa_type=enum_column(SettingKey))
    scope: str = Field(max_length=64)
    value: str = Field(max_length=64)
    valid_from: datetime = Field(sa_type=UtcDateTime)
    valid_to: datetime | None = Field(default=None, sa_type=UtcDateTime)
    source: str = Field(max_length=400)


class Equipment(VersionedFact, table=True):
    """A vessel, or a line as a whole: its kind and capacity, and its flow regime where no `Residence` is in force.

    `proof_sha256` is the digest of the report that proves the regime (a tracer test, say). Without a
    proof valid on the day, first-in-first-out never narrows what a draw may contain.
    """

    __tablename__ = "equipment"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("capacity_g > 0", name="capacity"),
        CheckConstraint("mixing <> 'run_mixed'", name="regime"),
        CheckConstraint("proof_sha256 IS NULL OR length(proof_sha256) = 64", name="proof"),
        CheckConstraint(
            "(proof_sha256 IS NULL) = (proof_from IS NULL) AND (proof_to IS NULL OR proof_from < proof_to)",
            name="proof_dated",
        ),
    )

    code: str = Field(max_length=32)
    name: str = Field(max_length=200)
    kind: VesselKind = Field(sa_type=enum_column(VesselKind))
    capacity_g: int = Field(sa_type=BigInteger)
    mixing: Mixing = Field(sa_type=enum_column(Mixing))
    proof_sha256: str | None = Field(default=None, max_length=64)
    proof_from: datetime | None = Field(default=None, sa_type=UtcDateTime)
    proof_to: datetime | None = Field(default=None, sa_type=UtcDateTime)


class Residence(VersionedFact, table=True):
    """How long material stays in a vessel or a line, and in what regime: stated for a time, with who says so.

    `report_sha256` is the digest of the report that supports it (a tracer test, say): only with one do these
    data narrow what a discharge may contain. `spread_ppm` is of the hold-up, both ways. `hold_up_g` is dry.
    """

    __tablename__ = "residence"
    __table_args__ = (
        *version_checks(),
        validity_check(),
        CheckConstraint("regime <> 'run_mixed'", name="regime"),
        CheckConstraint("(regime = 'tanks_in_series') = (tanks IS NOT NULL)", name="tanks_of_regime"),
        CheckConstraint("tanks IS NULL OR tanks BETWEEN 1 AND 50", name="tanks"),
        CheckConstraint("spread_ppm IS NULL OR spread_ppm BETWEEN 0 AND 1000000", name="spread"),
        CheckConstraint("spread_ppm IS NULL OR regime = 'plug_flow'", name="spread_of_regime"),
        CheckConstraint("hold_up_g IS NULL OR hold_up_g > 0", name="hold_up"),
        CheckConstraint("(residence_min_s IS NULL) = (residence_max_s IS NULL)", name="window"),
        CheckConstraint(
            "residence_min_s IS NULL OR (residence_min_s >= 0 AND residence_min_s <= residence_max_s)",
            name="window_forwards",
        ),
        CheckConstraint(
            "residence_mean_s IS NULL OR (residence_min_s IS NOT NULL "
            "AND residence_mean_s BETWEEN residence_min_s AND residence_max_s)",
            name="mean_in_window",
        ),
        CheckConstraint("report_sha256 IS NULL OR length(report_sha256) = 64", name="report"),
    )

    equipment_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    regime: Mixing = Field(sa_type=enum_column(Mixing))
    tanks: int | None = None
    spread_ppm: int | None = None
    hold_up_g: int | None = Field(default=None, sa_type=BigInteger)
    residence_min_s: int | None = None
    residence_mean_s: int | None = None
    residence_max_s: int | None = None
    report_sha256: str | None = Field(default=None, max_length=64)
    source: str = Field(max_length=400)
    valid_from: datetime = Field(sa_type=UtcDateTime)
    valid_to: datetime | None = Field(default=None, sa_type=UtcDateTime)


class EquipmentEvent(VersionedFact, table=True):
    """Something that happened to a vessel or a line.

    `proven_empty` ends one period of its lineage and begins the next. A `stop` lasts until `end_at`: it stood
    still with material inside, which lengthens residence and moves no mass.
    """

    __tablename__ = "equipment_event"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("(kind = 'stop') = (end_at IS NOT NULL)", name="stop_lasts"),
        CheckConstraint("end_at IS NULL OR at < end_at", name="interval"),
    )

    equipment_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    kind: VesselEventKind = Field(sa_type=enum_column(VesselEventKind))
    at: datetime = Field(sa_type=UtcDateTime)
    end_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    note: str = Field(max_length=400)
