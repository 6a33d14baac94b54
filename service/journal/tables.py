"""Tables of the journal, and the columns every fact carries.

Four kinds of table: a *fact* is only ever inserted and is hashed into its journal entry; a *projection*
can be rebuilt from facts; *erasable* text is personal and is never hashed itself (only its salted
digest is); an *operational* row expires and proves nothing.

Numbers: an identity is ``site_no * 2**40 + n`` and a journal position (`seq`) is
``site_no * 2**40 + leaf index``, so both stay below 2**53, say which site they belong to, and
positions are compared only inside one site's log. Site 0 holds the data all sites share.
"""

from datetime import datetime
from typing import Any, ClassVar

from sqlalchemy import BigInteger, CheckConstraint, LargeBinary
from sqlmodel import Field, SQLModel

from service.db import UtcDateTime

SITE_STEP = 2**40
FORMAT_VERSION = 1


def site_of(number: int) -> int:
    """The site an identity or a journal position belongs to."""
    return number // SITE_STEP


class Fact(SQLModel):
    """A row that is inserted once and never changed; `entry.Entry.add` fills `recorded_at` and `seq`."""

    is_fact: ClassVar[bool] = True

    recorded_at: datetime = Field(default=None, sa_type=UtcDateTime, nullable=False)
    seq: int = Field(default=0, sa_type=BigInteger, index=True, nullable=False)


class VersionedFact(Fact):
    """A fact that can be corrected: the next version hides the earlier one, a void version hides them all.

    `effective_at` is when it was so, `recorded_at` when we learned it.
    """

    id: int = Field(
        primary_key=True,
        sa_type=BigInteger,
        foreign_key="identity.id",
        sa_column_kwargs={"autoincrement": False},
    )
    version: int = Field(default=1, primary_key=True, sa_column_kwargs={"autoincrement": False})
    void: bool = False
    reason_id: int | None = Field(default=None, sa_type=BigInteger, foreign_key="text_commitment.id")
    effective_at: datetime = Field(default=None, sa_type=UtcDateTime, nullable=False)


def version_checks() -> tuple[CheckConstraint, ...]:
    """Constraints of every versioned fact: versions count from 1, and all of them stay in the home log."""
    return (
        CheckConstraint("version >= 1", name="version"),
        CheckConstraint("version = 1 OR reason_id IS NOT NULL", name="correction_has_reason"),
        CheckConstraint(f"seq / {SITE_STEP} = id / {SITE_STEP}", name="home_log"),
    )


class JournalEntry(SQLModel, table=True):
    """One write: who, when, what kind, and the hash of every fact row it stored. A leaf of its site's tree."""

    __tablename__ = "journal"
    __table_args__ = (
        CheckConstraint(f"seq = log_no * {SITE_STEP} + leaf_index", name="position"),
        CheckConstraint("leaf_index >= 0", name="leaf_index"),
        CheckConstraint("length(rows_hash) = 64 AND length(leaf_hash) = 64", name="hashes"),
    )
    is_fact: ClassVar[bool] = True

    seq: int = Field(primary_key=True, sa_type=BigInteger, sa_column_kwargs={"autoincrement": False})
    log_no: int
    leaf_index: int = Field(sa_type=BigInteger)
    kind: str = Field(max_length=64)
    effective_at: datetime = Field(sa_type=UtcDateTime)
    recorded_at: datetime = Field(sa_type=UtcDateTime, index=True)
    booked_on: str | None = Field(default=None, max_length=10)
    actor_id: int = Field(sa_type=BigInteger, foreign_key="identity.id")
    request_id: str = Field(max_length=64)
    body: bytes = Field(sa_type=LargeBinary)
    rows_hash: str = Field(max_length=64)
    leaf_hash: str = Field(max_length=64)
    format_version: int = FORMAT_VERSION


class JournalHead(SQLModel, table=True):
    """Projection: the state of one site's log, locked first by each write to that site."""

    __tablename__ = "journal_head"

    log_no: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    size: int = Field(sa_type=BigInteger)
    frontier: bytes = Field(sa_type=LargeBinary)
    root: str = Field(max_length=64)
    last_recorded_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class Checkpoint(SQLModel, table=True):
    """Size and root of a log at one moment, kept so that a shortened log is noticed.

    `signed_note` stays empty until signing exists. A checkpoint that only the operator holds proves
    nothing against the operator: roots are printed on lot records so that others hold them too.
    """

    __tablename__ = "checkpoint"
    is_fact: ClassVar[bool] = True

    log_no: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    size: int = Field(primary_key=True, sa_type=BigInteger, sa_column_kwargs={"autoincrement": False})
    root: str = Field(max_length=64)
    recorded_at: datetime = Field(sa_type=UtcDateTime)
    signed_note: str | None = None


class Identity(Fact, table=True):
    """Registry of everything that can be referred to; an identity is never given twice."""

    __tablename__ = "identity"
    __table_args__ = (
        CheckConstraint(f"id % {SITE_STEP} > 0", name="number"),
        CheckConstraint(f"seq / {SITE_STEP} = id / {SITE_STEP}", name="home_log"),
    )

    id: int = Field(primary_key=True, sa_type=BigInteger, sa_column_kwargs={"autoincrement": False})
    kind: str = Field(max_length=32)


class TextCommitment(Fact, table=True):
    """SHA-256 over salt and text of a free or personal text: the fact that survives its erasure."""

    __tablename__ = "text_commitment"
    __table_args__ = (CheckConstraint("length(sha256) = 64", name="sha256"),)

    id: int = Field(
        primary_key=True,
        sa_type=BigInteger,
        foreign_key="identity.id",
        sa_column_kwargs={"autoincrement": False},
    )
    sha256: str = Field(max_length=64)


class PrivateText(SQLModel, table=True):
    """Erasable: names, drivers, plates, reasons. Erasing sets `text` to NULL; the commitment stays."""

    __tablename__ = "private_text"

    id: int = Field(
        primary_key=True,
        sa_type=BigInteger,
        foreign_key="text_commitment.id",
        sa_column_kwargs={"autoincrement": False},
    )
    salt: bytes = Field(sa_type=LargeBinary)
    text: str | None = None


class IdempotencyRecord(SQLModel, table=True):
    """Operational: the answer given under a key, sent again byte for byte when the request comes again."""

    __tablename__ = "idempotency"

    actor_id: int = Field(primary_key=True, sa_type=BigInteger, sa_column_kwargs={"autoincrement": False})
    key: str = Field(primary_key=True, max_length=128)
    route: str = Field(max_length=200)
    request_hash: str = Field(max_length=64)
    status: int
    headers: str
    body: bytes = Field(sa_type=LargeBinary)
    seq: int | None = Field(default=None, sa_type=BigInteger)
    stored_at: datetime = Field(sa_type=UtcDateTime, index=True)


class Counter(SQLModel, table=True):
    """Operational: the next number of a series of a site, taken inside the transaction (no gaps)."""

    __tablename__ = "counter"

    site_no: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    series: str = Field(primary_key=True, max_length=32)
    next_number: int = Field(sa_type=BigInteger)


def fact_tables() -> list[Any]:
    """Every fact table in dependency order, the journal itself and its checkpoints apart."""
    apart = {"journal", "checkpoint"}
    classes = [mapper.class_ for mapper in SQLModel._sa_registry.mappers]
    facts = {table.__tablename__ for table in classes if getattr(table, "is_fact", False)}
    return [table for table in SQLModel.metadata.sorted_tables if table.name in facts - apart]
