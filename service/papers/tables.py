"""Issued papers, byte for byte."""

from datetime import datetime

from sqlalchemy import BigInteger, CheckConstraint, LargeBinary, UniqueConstraint
from sqlmodel import Field

from service.db import UtcDateTime, enum_column
from service.journal.tables import Fact
from service.papers.statuses import PaperKind


class Paper(Fact, table=True):
    """A paper as issued; a later one does not replace its bytes."""

    __tablename__ = "paper"
    __table_args__ = (
        UniqueConstraint("lot_id", "kind", "issue_no"),
        CheckConstraint("issue_no >= 1", name="issue_no"),
        CheckConstraint("length(sha256) = 64", name="sha256"),
    )

    id: int = Field(
        primary_key=True,
        sa_type=BigInteger,
        foreign_key="identity.id",
        sa_column_kwargs={"autoincrement": False},
    )
    kind: PaperKind = Field(sa_type=enum_column(PaperKind))
    lot_id: int = Field(sa_type=BigInteger, foreign_key="identity.id")
    issue_no: int
    media_type: str = Field(max_length=64)
    content: bytes = Field(sa_type=LargeBinary)
    sha256: str = Field(max_length=64)
    issued_at: datetime = Field(sa_type=UtcDateTime)
