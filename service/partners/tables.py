"""Partners and contracts."""

from datetime import datetime

from sqlalchemy import BigInteger, CheckConstraint
from sqlmodel import Field

from service.core.receipt import PayableFormula
from service.db import UtcDateTime, enum_column
from service.journal.tables import VersionedFact, version_checks


class Partner(VersionedFact, table=True):
    """A supplier, carrier, customer or laboratory.

    `is_mapped` false: taken on at the gate without master data; blocks payment and food use, not the truck.
    The name is a private text, for a sole trader's name is personal.
    """

    __tablename__ = "partner"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("is_supplier OR is_carrier OR is_customer OR is_laboratory", name="has_a_role"),
        CheckConstraint("country IS NULL OR length(country) = 2", name="country"),
    )

    code: str = Field(max_length=32)
    name_id: int = Field(sa_type=BigInteger, foreign_key="text_commitment.id")
    is_supplier: bool
    is_carrier: bool
    is_customer: bool
    is_laboratory: bool
    is_mapped: bool
    country: str | None = Field(default=None, max_length=2)


class Contract(VersionedFact, table=True):
    """Purchase terms for one material of one supplier: what is deducted and how the payable mass is found."""

    __tablename__ = "contract"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("moisture_allowance_ppm BETWEEN 0 AND 1000000", name="allowance"),
        CheckConstraint("tie_g >= 0", name="tie"),
        CheckConstraint("valid_to IS NULL OR valid_from < valid_to", name="validity"),
    )

    code: str = Field(max_length=32)
    partner_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    material_id: int = Field(sa_type=BigInteger, foreign_key="identity.id")
    moisture_allowance_ppm: int
    payable_formula: PayableFormula = Field(sa_type=enum_column(PayableFormula))
    tie_g: int
    valid_from: datetime = Field(sa_type=UtcDateTime)
    valid_to: datetime | None = Field(default=None, sa_type=UtcDateTime)
