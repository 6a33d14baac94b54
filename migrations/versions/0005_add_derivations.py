"""Add what is worked out about lineage in advance: compositions of lots, how far they reach, standings of vessels.

All of it is a projection and may be changed; `bale-to-pellet derive` fills it for the history that is there.
No import of the service here: this revision must still run when the code has moved on.
"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def number(name: str, *, nullable: bool = False) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger(), autoincrement=False, nullable=nullable)


def upgrade() -> None:
    op.create_table(
        "derivation",
        number("lot_id"),
        number("known_from"),
        number("known_to", nullable=True),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["identity.id"], name=op.f("fk_derivation_lot_id")),
        sa.PrimaryKeyConstraint("lot_id", "known_from", name=op.f("pk_derivation")),
    )
    op.create_table(
        "source_share",
        number("source_id"),
        number("lot_id"),
        number("share_e12"),
        sa.PrimaryKeyConstraint("source_id", "lot_id", name=op.f("pk_source_share")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "source_member",
        number("source_id"),
        number("lot_id"),
        number("weight"),
        sa.PrimaryKeyConstraint("source_id", "lot_id", name=op.f("pk_source_member")),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_source_member_lot_id", "source_member", ["lot_id"])
    op.create_table(
        "reach",
        number("source_id"),
        number("lot_id"),
        number("until_code"),
        sa.PrimaryKeyConstraint("source_id", "lot_id", name=op.f("pk_reach")),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_reach_source_until", "reach", ["source_id", "until_code"])
    op.create_table(
        "vessel_reach",
        number("line_id"),
        number("source_id"),
        number("period_id"),
        number("at_code"),
        number("until_code"),
        sa.PrimaryKeyConstraint("line_id", "source_id", name=op.f("pk_vessel_reach")),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_vessel_reach_source", "vessel_reach", ["source_id", "until_code", "period_id", "at_code"])
    op.create_index("ix_vessel_reach_period", "vessel_reach", ["period_id", "source_id", "at_code", "until_code"])
    op.create_table(
        "vessel_standing",
        number("period_id"),
        number("at_us"),
        number("number"),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("period_id", "at_us", name=op.f("pk_vessel_standing")),
    )
    # A vessel's period goes on for years; what happened since a moment is found without reading all of it.
    op.create_index("ix_line_process_id_start_at", "line", ["process_id", "start_at"])


def downgrade() -> None:
    op.drop_index("ix_line_process_id_start_at", table_name="line")
    for table in ("vessel_standing", "vessel_reach", "reach", "source_member", "source_share", "derivation"):
        op.drop_table(table)
