"""Master data tables. All of them are versioned facts; most belong to the log all sites share (site 0)."""

from datetime import datetime

from sqlalchemy import BigInteger, CheckConstraint
from sqlmodel import Field

from service.core.weighing import AccuracyClass
from service.db import UtcDateTime, enum_column
from service.journal.tables import VersionedFact, version_checks
from service.plant.statuses import InstrumentKind, MaterialForm, Mixing, SettingKey, VesselKind, WasteClass


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
    """A vessel, from a date on: its kind, capacity and flow regime.

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
