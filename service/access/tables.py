"""Actors (facts), the keys they show and the log-ins made with them (operational, only digests are kept)."""

from datetime import datetime

from sqlalchemy import BigInteger
from sqlmodel import Field, SQLModel

from service.access.statuses import ActorKind
from service.db import UtcDateTime, enum_column
from service.journal.tables import VersionedFact, version_checks


class Actor(VersionedFact, table=True):
    """Somebody or something that writes; its name is a private text."""

    __tablename__ = "actor"
    __table_args__ = version_checks()

    kind: ActorKind = Field(sa_type=enum_column(ActorKind))
    name_id: int = Field(sa_type=BigInteger, foreign_key="text_commitment.id")


class Credential(SQLModel, table=True):
    """Operational: SHA-256 of a bearer key."""

    __tablename__ = "credential"

    sha256: str = Field(primary_key=True, max_length=64)
    actor_id: int = Field(sa_type=BigInteger, foreign_key="identity.id")
    created_at: datetime = Field(sa_type=UtcDateTime)
    expires_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    revoked_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class BrowserSession(SQLModel, table=True):
    """Operational: a person at a page, by the SHA-256 of the cookie. It ends, can be revoked, and falls with its key.

    `site_no` is the plant the person works at; null until one is chosen.
    """

    __tablename__ = "browser_session"

    sha256: str = Field(primary_key=True, max_length=64)
    actor_id: int = Field(sa_type=BigInteger, foreign_key="identity.id")
    credential_sha256: str = Field(max_length=64, foreign_key="credential.sha256")
    site_no: int | None = None
    created_at: datetime = Field(sa_type=UtcDateTime)
    expires_at: datetime = Field(sa_type=UtcDateTime)
    revoked_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
