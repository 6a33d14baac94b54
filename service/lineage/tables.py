"""What is worked out about lineage in advance, so that ten years of history answer at once. All of it is a
projection: `derive` writes it in the transaction of the fact it follows from, `verify` compares it with the lines.

A *source* is the number under which origin lots are grouped, because they share one fate from there on:

- a run: the origin lots it was fed with, all mixed;
- a line: one charge of an origin lot into a vessel;
- a lot: the origin lots behind a discharge that a residence window cut out of its line;
- a lot, negative: what came into it from nothing on record.

Moments are *order codes*: twice the microseconds since 1970, odd where something lies behind an instant. A charge
may be in a draw exactly if its code is less than the draw's (see `flows.charge_code`).
"""

from typing import ClassVar

from sqlalchemy import BigInteger, Index, LargeBinary, Table
from sqlmodel import Field, SQLModel


def _key() -> int:
    """A column of a composite key that numbers something and is never given by the database."""
    field: int = Field(primary_key=True, sa_type=BigInteger, sa_column_kwargs={"autoincrement": False})
    return field


class Derivation(SQLModel, table=True):
    """What a made lot is made of and what it may contain, from one journal position of its site to another.

    `known_to` is empty for what holds now. `body` is written and read by `stored.Derived`.
    """

    __tablename__ = "derivation"
    is_projection: ClassVar[bool] = True

    lot_id: int = Field(
        primary_key=True,
        sa_type=BigInteger,
        foreign_key="identity.id",
        sa_column_kwargs={"autoincrement": False},
    )
    known_from: int = _key()
    known_to: int | None = Field(default=None, sa_type=BigInteger)
    body: bytes = Field(sa_type=LargeBinary)


class SourceShare(SQLModel, table=True):
    """The expected share of a source in a lot, as it holds now, per 10**12: the way down."""

    __tablename__ = "source_share"
    __table_args__ = ({"sqlite_with_rowid": False},)
    is_projection: ClassVar[bool] = True

    source_id: int = _key()
    lot_id: int = _key()
    share_e12: int = Field(sa_type=BigInteger)


class SourceMember(SQLModel, table=True):
    """An origin lot of a source, weighted by its dry mass in it; a weight of nought is possible all the same."""

    __tablename__ = "source_member"
    __table_args__ = (Index("ix_source_member_lot_id", "lot_id"), {"sqlite_with_rowid": False})
    is_projection: ClassVar[bool] = True

    source_id: int = _key()
    lot_id: int = _key()
    weight: int = Field(sa_type=BigInteger)


class Reach(SQLModel, table=True):
    """A lot may contain this source, this lot, or anything charged to this vessel period before `until_code`.

    Complete up to the nearest vessels: what stands behind those says `vessel_reach`.
    """

    __tablename__ = "reach"
    __table_args__ = (
        Index("ix_reach_source_until", "source_id", "until_code"),
        {"sqlite_with_rowid": False},
    )
    is_projection: ClassVar[bool] = True

    source_id: int = _key()
    lot_id: int = _key()
    until_code: int = Field(sa_type=BigInteger)


class VesselReach(SQLModel, table=True):
    """What a charge brought into a vessel period, from `at_code` on; terms as in `Reach`."""

    __tablename__ = "vessel_reach"
    __table_args__ = (
        Index("ix_vessel_reach_source", "source_id", "until_code", "period_id", "at_code"),
        Index("ix_vessel_reach_period", "period_id", "source_id", "at_code", "until_code"),
        {"sqlite_with_rowid": False},
    )
    is_projection: ClassVar[bool] = True

    line_id: int = _key()
    source_id: int = _key()
    period_id: int = Field(sa_type=BigInteger)
    at_code: int = Field(sa_type=BigInteger)
    until_code: int = Field(sa_type=BigInteger)


class VesselStanding(SQLModel, table=True):
    """What stands in a vessel just after an instant, so that the next draw need not begin at the beginning.

    `number` counts them in the order in which they were stored; most of the older ones are thrown away again.
    """

    __tablename__ = "vessel_standing"
    is_projection: ClassVar[bool] = True

    period_id: int = _key()
    at_us: int = _key()
    number: int = Field(sa_type=BigInteger)
    body: bytes = Field(sa_type=LargeBinary)


def plain(table: type[SQLModel]) -> Table:
    """The table behind a class: its rows are written by the thousand, and no object is ever made of one."""
    return SQLModel.metadata.tables[str(table.__tablename__)]
