"""The single double entry of the system: only lots carry mass, and lines connect them to processes.

A lot's mass has one source: a `lot_mass` fact if its history begins here (a bale, a loose load, opening
stock), else the producing lines of the processes that made it. `lot_stock` is what is left of it.
"""

from datetime import datetime
from typing import ClassVar

from sqlalchemy import BigInteger, CheckConstraint, Index, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.db import UtcDateTime, enum_column
from service.journal.tables import Fact, VersionedFact, version_checks
from service.lots.statuses import (
    Amount,
    Category,
    Direction,
    HoldSubject,
    LotKind,
    LotOrigin,
    MassBasis,
    MeasurementBasis,
    Quantity,
    Step,
)
from service.plant.statuses import Mixing


class Lot(Fact, table=True):
    """Any identified quantity. Identity only: what it is made of and what it weighs are facts of their own."""

    __tablename__ = "lot"
    __table_args__ = (
        UniqueConstraint("code"),
        CheckConstraint("length(code) = 10", name="code"),
        CheckConstraint("(origin = 'delivery') = (delivery_id IS NOT NULL)", name="delivery_of_origin"),
    )

    id: int = Field(
        primary_key=True,
        sa_type=BigInteger,
        foreign_key="identity.id",
        sa_column_kwargs={"autoincrement": False},
    )
    code: str = Field(max_length=10)
    kind: LotKind = Field(sa_type=enum_column(LotKind))
    origin: LotOrigin = Field(sa_type=enum_column(LotOrigin))
    delivery_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id", index=True)
    supplier_tag: str | None = Field(default=None, max_length=64)
    born_at: datetime = Field(sa_type=UtcDateTime)


class LotFact(VersionedFact, table=True):
    """What a lot is made of and whose it is; a change of title keeps the code."""

    __tablename__ = "lot_fact"
    __table_args__ = version_checks()

    material_id: int = Field(sa_type=BigInteger, foreign_key="identity.id")
    owner_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")
    place: str | None = Field(default=None, max_length=64)
    note: str | None = Field(default=None, max_length=400)


class LotMass(VersionedFact, table=True):
    """Mass of a lot whose history begins here; versions follow re-weighings and re-spreads."""

    __tablename__ = "lot_mass"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("void OR material_g > 0", name="material"),
        CheckConstraint("tie_g >= 0", name="tie"),
        CheckConstraint("(basis = 'weighed') = (weighing_id IS NOT NULL)", name="weighed_names_weighing"),
    )

    material_g: int = Field(sa_type=BigInteger)
    tie_g: int = Field(sa_type=BigInteger)
    basis: MassBasis = Field(sa_type=enum_column(MassBasis))
    weighing_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")


class Measurement(VersionedFact, table=True):
    """One measured, provisional or default value of one quantity of one thing; late results are new versions."""

    __tablename__ = "measurement"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("basis = 'default' OR taken_at IS NOT NULL", name="taken"),
        CheckConstraint("reported_at IS NULL OR taken_at <= reported_at", name="reported_after_taken"),
    )

    subject_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    quantity: Quantity = Field(sa_type=enum_column(Quantity))
    value: str = Field(max_length=32)
    u_value: str | None = Field(default=None, max_length=32)  # standard uncertainty, in the unit of the value
    basis: MeasurementBasis = Field(sa_type=enum_column(MeasurementBasis))
    setting_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")
    instrument_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")
    method: str | None = Field(default=None, max_length=100)
    taken_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    reported_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class Process(VersionedFact, table=True):
    """Something that takes lots in and gives lots out: a run, a vessel's period, a split, a shipment."""

    __tablename__ = "process"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("ended_at IS NULL OR started_at < ended_at", name="interval"),
        CheckConstraint("NOT is_closed OR ended_at IS NOT NULL", name="closed_has_end"),
        CheckConstraint("(step = 'vessel_period') = (mixing <> 'run_mixed')", name="only_vessels_mix_otherwise"),
        CheckConstraint("step <> 'vessel_period' OR equipment_id IS NOT NULL", name="vessel_named"),
        Index("ix_process_equipment_id_started_at", "equipment_id", "started_at"),
    )

    step: Step = Field(sa_type=enum_column(Step))
    equipment_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id", index=True)
    started_at: datetime = Field(sa_type=UtcDateTime)
    ended_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    mixing: Mixing = Field(sa_type=enum_column(Mixing))
    is_closed: bool = False
    note: str | None = Field(default=None, max_length=400)


class Line(VersionedFact, table=True):
    """A dated mass in or out of a process: feed, discharge, charge, draw, loss, shipment.

    An instant has no `end_at`. `moisture_id` names the measurement, not its value, so that a late result
    reaches every balance that rests on it.
    """

    __tablename__ = "line"
    __table_args__ = (
        *version_checks(),
        Index("ix_line_process_id_direction", "process_id", "direction"),
        Index("ix_line_process_id_start_at", "process_id", "start_at"),
        CheckConstraint("end_at IS NULL OR start_at < end_at", name="interval"),
        CheckConstraint("(amount = 'mass') = (mass_g IS NOT NULL)", name="mass_given"),
        CheckConstraint("mass_g IS NULL OR mass_g > 0", name="mass"),
        CheckConstraint("(amount = 'fraction_of_dry_in') = (fraction_ppm IS NOT NULL)", name="fraction_given"),
        CheckConstraint("fraction_ppm IS NULL OR fraction_ppm BETWEEN 1 AND 1000000", name="fraction"),
        CheckConstraint("amount NOT IN ('whole', 'rest') OR direction = 'in'", name="rest_is_fed"),
        CheckConstraint("lot_id IS NOT NULL OR (direction = 'out' AND category IN ('loss', 'waste'))", name="lot"),
        CheckConstraint("amount <> 'fraction_of_dry_in' OR lot_id IS NULL", name="estimate_has_no_lot"),
        CheckConstraint("(amount = 'fraction_of_dry_in') = (moisture_id IS NULL)", name="moisture_named"),
        CheckConstraint("gross_g IS NULL OR (amount = 'mass' AND gross_g >= mass_g)", name="gross"),
    )

    process_id: int = Field(sa_type=BigInteger, foreign_key="identity.id")
    lot_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id", index=True)
    direction: Direction = Field(sa_type=enum_column(Direction))
    category: Category = Field(sa_type=enum_column(Category))
    stream: str = Field(max_length=48)
    amount: Amount = Field(sa_type=enum_column(Amount))
    mass_g: int | None = Field(default=None, sa_type=BigInteger)
    fraction_ppm: int | None = None
    moisture_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id", index=True)
    start_at: datetime = Field(sa_type=UtcDateTime)
    end_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    instrument_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="identity.id")
    gross_g: int | None = Field(default=None, sa_type=BigInteger)


class LineTare(Fact, table=True):
    """Packaging on a container line: how many of which container type its gross includes."""

    __tablename__ = "line_tare"
    __table_args__ = (CheckConstraint("pieces > 0", name="pieces"),)

    line_id: int = Field(
        primary_key=True,
        sa_type=BigInteger,
        foreign_key="identity.id",
        sa_column_kwargs={"autoincrement": False},
    )
    line_version: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    container_type_id: int = Field(
        primary_key=True,
        sa_type=BigInteger,
        foreign_key="identity.id",
        sa_column_kwargs={"autoincrement": False},
    )
    pieces: int


class LotStock(SQLModel, table=True):
    """Projection: what is left of a lot. The guarded update on it decides who gets the last kilogram."""

    __tablename__ = "lot_stock"
    __table_args__ = (
        CheckConstraint("on_hand_g >= -tolerance_g", name="not_oversold"),
        CheckConstraint("tolerance_g >= 0", name="tolerance"),
    )
    is_projection: ClassVar[bool] = True

    lot_id: int = Field(
        primary_key=True,
        sa_type=BigInteger,
        foreign_key="identity.id",
        sa_column_kwargs={"autoincrement": False},
    )
    on_hand_g: int = Field(sa_type=BigInteger)
    tolerance_g: int = Field(sa_type=BigInteger)


def window_checks() -> tuple[CheckConstraint, ...]:
    """A vessel is meant from a moment on, and nothing else has a time."""
    return (
        CheckConstraint("(subject_kind = 'vessel') = (from_at IS NOT NULL)", name="time_of_vessel"),
        CheckConstraint("to_at IS NULL OR (from_at IS NOT NULL AND from_at < to_at)", name="time_forwards"),
    )


class Hold(VersionedFact, table=True):
    """Do not use: on a lot, a delivery or a supplier, and on everything that may contain it.

    Of a vessel it lies on what was drawn from `from_at` to `to_at`; without an end, on what is drawn until the
    vessel is proven empty.
    """

    __tablename__ = "hold"
    __table_args__ = (*version_checks(), *window_checks())

    subject_kind: HoldSubject = Field(sa_type=enum_column(HoldSubject))
    subject_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    cause_id: int = Field(sa_type=BigInteger, foreign_key="text_commitment.id")
    from_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    to_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
