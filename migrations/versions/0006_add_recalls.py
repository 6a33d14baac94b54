"""Add recalls with what was found, and holds on what a vessel gave out in a time.

No import of the service here: this revision must still run when the code has moved on.
"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

# A moment in UTC: timestamptz on PostgreSQL, fixed-width text on SQLite.
MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(27), "sqlite")

SUBJECTS_BEFORE = ("lot", "delivery", "partner")
SUBJECTS = (*SUBJECTS_BEFORE, "vessel")
HOW = ("scanned", "seen")


def closed_list(name: str, members: tuple[str, ...]) -> sa.Enum:
    return sa.Enum(*members, name=name, native_enum=False, create_constraint=True, length=32)


def fact_columns() -> list[sa.Column]:
    """Columns of every versioned fact."""
    return [
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
    ]


def fact_constraints(table: str, *references: str) -> list[sa.Constraint]:
    """Constraints of every versioned fact; `references` are its columns that hold identities."""
    return [
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f(f"ck_{table}_home_log")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f(f"ck_{table}_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f(f"ck_{table}_version")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f(f"fk_{table}_reason_id")),
        *(
            sa.ForeignKeyConstraint([column], ["identity.id"], name=op.f(f"fk_{table}_{column}"))
            for column in ("id", *references)
        ),
        sa.PrimaryKeyConstraint("id", "version", name=op.f(f"pk_{table}")),
    ]


def time_constraints(table: str) -> list[sa.CheckConstraint]:
    return [sa.CheckConstraint(rule, name=op.f(f"ck_{table}_{name}")) for name, rule in TIME_RULES.items()]


TIME_RULES = {
    "time_of_vessel": "(subject_kind = 'vessel') = (from_at IS NOT NULL)",
    "time_forwards": "to_at IS NULL OR (from_at IS NOT NULL AND from_at < to_at)",
}


def upgrade() -> None:
    op.create_table(
        "recall",
        *fact_columns(),
        sa.Column("is_mock", sa.Boolean(), nullable=False),
        sa.Column("subject_kind", closed_list("holdsubject", SUBJECTS), nullable=False),
        sa.Column("subject_id", sa.BigInteger(), nullable=False),
        sa.Column("from_at", MOMENT, nullable=True),
        sa.Column("to_at", MOMENT, nullable=True),
        sa.Column("is_excursion", sa.Boolean(), nullable=False),
        sa.Column("cause_id", sa.BigInteger(), nullable=False),
        sa.Column("hold_id", sa.BigInteger(), nullable=True),
        sa.Column("closed_at", MOMENT, nullable=True),
        *fact_constraints("recall", "subject_id", "hold_id"),
        *time_constraints("recall"),
        sa.CheckConstraint(
            "NOT is_excursion OR (subject_kind = 'vessel' AND to_at IS NOT NULL)", name=op.f("ck_recall_excursion")
        ),
        sa.CheckConstraint(
            "(is_mock AND hold_id IS NULL) OR (NOT is_mock AND hold_id IS NOT NULL)",
            name=op.f("ck_recall_real_one_holds"),
        ),
        sa.CheckConstraint("closed_at IS NULL OR closed_at >= effective_at", name=op.f("ck_recall_closed_after_start")),
        sa.ForeignKeyConstraint(["cause_id"], ["text_commitment.id"], name=op.f("fk_recall_cause_id")),
    )
    op.create_table(
        "recall_finding",
        *fact_columns(),
        sa.Column("recall_id", sa.BigInteger(), nullable=False),
        sa.Column("lot_id", sa.BigInteger(), nullable=True),
        sa.Column("equipment_id", sa.BigInteger(), nullable=True),
        sa.Column("mass_g", sa.BigInteger(), nullable=False),
        sa.Column("how", closed_list("findinghow", HOW), nullable=False),
        sa.Column("place", sa.String(64), nullable=True),
        *fact_constraints("recall_finding", "recall_id", "lot_id", "equipment_id"),
        sa.CheckConstraint("(lot_id IS NULL) <> (equipment_id IS NULL)", name=op.f("ck_recall_finding_lot_or_vessel")),
        sa.CheckConstraint("mass_g > 0", name=op.f("ck_recall_finding_mass")),
    )
    for table, columns in (("recall", ("seq", "subject_id")), ("recall_finding", ("seq", "recall_id"))):
        for column in columns:
            op.create_index(op.f(f"ix_{table}_{column}"), table, [column], unique=False)
        protect(table)
    hold_vessels()


def hold_vessels() -> None:
    """Let a hold lie on a vessel from a moment on. No row is changed; on SQLite the table is built anew."""
    naming = {"ck": "%(constraint_name)s"}
    with op.batch_alter_table("hold", naming_convention=naming) as hold:
        hold.add_column(sa.Column("from_at", MOMENT, nullable=True))
        hold.add_column(sa.Column("to_at", MOMENT, nullable=True))
        hold.drop_constraint(op.f("ck_hold_holdsubject"), type_="check")
        hold.create_check_constraint(op.f("ck_hold_holdsubject"), one_of("subject_kind", SUBJECTS))
        for name, rule in TIME_RULES.items():
            hold.create_check_constraint(op.f(f"ck_hold_{name}"), rule)
    if op.get_bind().dialect.name == "sqlite":  # the triggers went with the old table
        protect("hold")


def one_of(column: str, members: tuple[str, ...]) -> str:
    return f"{column} IN ({', '.join(repr(member) for member in members)})"


def protect(table: str) -> None:
    """Refuse UPDATE, DELETE and TRUNCATE in the database itself, whoever asks."""
    if op.get_bind().dialect.name == "sqlite":
        for action in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{action.lower()} BEFORE {action} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: record a new version'); END"
            )
        return
    op.execute(
        f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
    )


def downgrade() -> None:
    """Fails while a hold lies on a vessel: without its time nobody would know what it is on."""
    with op.batch_alter_table("hold", naming_convention={"ck": "%(constraint_name)s"}) as hold:
        for name in ("time_of_vessel", "time_forwards", "holdsubject"):
            hold.drop_constraint(op.f(f"ck_hold_{name}"), type_="check")
        hold.create_check_constraint(op.f("ck_hold_holdsubject"), one_of("subject_kind", SUBJECTS_BEFORE))
        hold.drop_column("to_at")
        hold.drop_column("from_at")
    if op.get_bind().dialect.name == "sqlite":
        protect("hold")
    op.drop_table("recall_finding")
    op.drop_table("recall")
