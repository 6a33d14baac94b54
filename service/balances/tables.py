"""Balances of runs. Figures are micrograms dry, exact."""

from sqlalchemy import BigInteger, CheckConstraint
from sqlmodel import Field

from service.core.doubt_verdict import DoubtVerdict
from service.core.mass_balance import Verdict
from service.db import enum_column
from service.journal.tables import VersionedFact, version_checks


class RunBalance(VersionedFact, table=True):
    """One version of a run's balance, and what it was computed from.

    `inputs_hash` covers every line, mass, moisture, certificate, setting and tare used: a new version appears only
    when it changes. `u95_ug` is the expanded uncertainty of the unexplained mass and `coverage_ppm` its coverage
    factor x 10**6; balances of before doubt was worked out have neither.
    """

    __tablename__ = "balance"
    __table_args__ = (
        *version_checks(),
        CheckConstraint("dry_in_ug >= 0 AND dry_out_ug >= 0 AND estimated_out_ug >= 0", name="signs"),
        CheckConstraint("unexplained_ug = dry_in_ug - dry_out_ug", name="adds_up"),
        CheckConstraint("not_claimable_ug = 0 OR verdict IN ('gain_above_tolerance', 'nothing_in')", name="gain"),
        CheckConstraint("tolerance_ppm BETWEEN 0 AND 1000000", name="tolerance"),
        CheckConstraint("length(inputs_hash) = 64", name="inputs_hash"),
        CheckConstraint(
            "(u95_ug IS NULL) = (coverage_ppm IS NULL) AND (u95_ug IS NULL) = (doubt_verdict IS NULL)",
            name="doubt_whole",
        ),
        CheckConstraint("u95_ug IS NULL OR (u95_ug >= 0 AND coverage_ppm > 0)", name="u95"),
        CheckConstraint(
            "u95_ug IS NULL OR (doubt_verdict = 'within_doubt') = (abs(unexplained_ug) <= u95_ug)",
            name="doubt_judged",
        ),
    )

    process_id: int = Field(sa_type=BigInteger, foreign_key="identity.id", index=True)
    inputs_hash: str = Field(max_length=64)
    dry_in_ug: int = Field(sa_type=BigInteger)
    dry_out_ug: int = Field(sa_type=BigInteger)
    estimated_out_ug: int = Field(sa_type=BigInteger)
    unexplained_ug: int = Field(sa_type=BigInteger)
    not_claimable_ug: int = Field(sa_type=BigInteger)
    tolerance_id: int = Field(sa_type=BigInteger, foreign_key="identity.id")
    tolerance_ppm: int
    verdict: Verdict = Field(sa_type=enum_column(Verdict))
    provisional: bool
    u95_ug: int | None = Field(default=None, sa_type=BigInteger)
    coverage_ppm: int | None = None
    doubt_verdict: DoubtVerdict | None = Field(default=None, sa_type=enum_column(DoubtVerdict))
