"""Add residence data and stops of vessels and lines, and the kinds and flow regimes they may have.

No import of the service here: this revision must still run when the code has moved on.
"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

# A moment in UTC: timestamptz on PostgreSQL, fixed-width text on SQLite.
MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(27), "sqlite")

REGIMES = ("run_mixed", "well_mixed", "first_in_first_out", "tanks_in_series", "plug_flow")
# (table, column, constraint, values so far, values from now on)
CLOSED_LISTS = (
    (
        "equipment",
        "kind",
        "ck_equipment_vesselkind",
        ("bay", "silo", "dryer", "crystalliser", "reactor", "buffer"),
        (
            *("bay", "silo", "dryer", "crystalliser", "reactor", "buffer"),
            *("pre_dryer", "preheater", "cooler", "wash_line"),
        ),
    ),
    ("equipment", "mixing", "ck_equipment_mixing", REGIMES[:3], REGIMES),
    ("process", "mixing", "ck_process_mixing", REGIMES[:3], REGIMES),
    ("equipment_event", "kind", "ck_equipment_event_vesseleventkind", ("proven_empty",), ("proven_empty", "stop")),
)
STOP_LASTS = "(kind = 'stop') = (end_at IS NOT NULL)"
INTERVAL = "end_at IS NULL OR at < end_at"


def upgrade() -> None:
    op.create_table(
        "residence",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("equipment_id", sa.BigInteger(), nullable=False),
        sa.Column(
            "regime",
            sa.Enum(*REGIMES, name="mixing", native_enum=False, create_constraint=True, length=32),
            nullable=False,
        ),
        sa.Column("tanks", sa.Integer(), nullable=True),
        sa.Column("spread_ppm", sa.Integer(), nullable=True),
        sa.Column("hold_up_g", sa.BigInteger(), nullable=True),
        sa.Column("residence_min_s", sa.Integer(), nullable=True),
        sa.Column("residence_mean_s", sa.Integer(), nullable=True),
        sa.Column("residence_max_s", sa.Integer(), nullable=True),
        sa.Column("report_sha256", sa.String(64), nullable=True),
        sa.Column("source", sa.String(400), nullable=False),
        sa.Column("valid_from", MOMENT, nullable=False),
        sa.Column("valid_to", MOMENT, nullable=True),
        sa.CheckConstraint(
            "(regime = 'tanks_in_series') = (tanks IS NOT NULL)", name=op.f("ck_residence_tanks_of_regime")
        ),
        sa.CheckConstraint("(residence_min_s IS NULL) = (residence_max_s IS NULL)", name=op.f("ck_residence_window")),
        sa.CheckConstraint("hold_up_g IS NULL OR hold_up_g > 0", name=op.f("ck_residence_hold_up")),
        sa.CheckConstraint("regime <> 'run_mixed'", name=op.f("ck_residence_regime")),
        sa.CheckConstraint("report_sha256 IS NULL OR length(report_sha256) = 64", name=op.f("ck_residence_report")),
        sa.CheckConstraint(
            "residence_mean_s IS NULL OR (residence_min_s IS NOT NULL "
            "AND residence_mean_s BETWEEN residence_min_s AND residence_max_s)",
            name=op.f("ck_residence_mean_in_window"),
        ),
        sa.CheckConstraint(
            "residence_min_s IS NULL OR (residence_min_s >= 0 AND residence_min_s <= residence_max_s)",
            name=op.f("ck_residence_window_forwards"),
        ),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_residence_home_log")),
        sa.CheckConstraint("spread_ppm IS NULL OR regime = 'plug_flow'", name=op.f("ck_residence_spread_of_regime")),
        sa.CheckConstraint("spread_ppm IS NULL OR spread_ppm BETWEEN 0 AND 1000000", name=op.f("ck_residence_spread")),
        sa.CheckConstraint("tanks IS NULL OR tanks BETWEEN 1 AND 50", name=op.f("ck_residence_tanks")),
        sa.CheckConstraint("valid_to IS NULL OR valid_from < valid_to", name=op.f("ck_residence_validity")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_residence_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_residence_version")),
        sa.ForeignKeyConstraint(["equipment_id"], ["identity.id"], name=op.f("fk_residence_equipment_id")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_residence_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_residence_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_residence")),
    )
    for column in ("equipment_id", "seq"):
        op.create_index(op.f(f"ix_residence_{column}"), "residence", [column], unique=False)
    protect_residence()
    for table, column, constraint, before, after in CLOSED_LISTS:
        change_list(table, column, constraint, before, after)
    add_end_of_stops()
    op.create_index("ix_process_equipment_id_started_at", "process", ["equipment_id", "started_at"], unique=False)


def protect_residence() -> None:
    """Refuse UPDATE, DELETE and TRUNCATE."""
    if op.get_bind().dialect.name == "sqlite":
        for action in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER residence_no_{action.lower()} BEFORE {action} ON residence "
                "BEGIN SELECT RAISE(ABORT, 'residence is append-only: record a new version'); END"
            )
        return
    op.execute(
        "CREATE TRIGGER residence_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON residence "
        "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
    )


def add_end_of_stops() -> None:
    if op.get_bind().dialect.name == "sqlite":
        op.execute(
            "ALTER TABLE equipment_event ADD COLUMN end_at VARCHAR(27) "
            f"CONSTRAINT ck_equipment_event_stop_lasts CHECK ({STOP_LASTS}) "
            f"CONSTRAINT ck_equipment_event_interval CHECK ({INTERVAL})"
        )
        return
    op.add_column("equipment_event", sa.Column("end_at", MOMENT, nullable=True))
    op.create_check_constraint(op.f("ck_equipment_event_stop_lasts"), "equipment_event", STOP_LASTS)
    op.create_check_constraint(op.f("ck_equipment_event_interval"), "equipment_event", INTERVAL)


def change_list(table: str, column: str, constraint: str, before: tuple[str, ...], after: tuple[str, ...]) -> None:
    """Exchange the values a column may hold; rows, indexes and triggers stay as they are."""
    if op.get_bind().dialect.name == "sqlite":
        rebuild_on_sqlite(table, _is_one_of(column, before), _is_one_of(column, after))
        return
    op.drop_constraint(op.f(constraint), table, type_="check")
    op.create_check_constraint(op.f(constraint), table, _is_one_of(column, after))


def _is_one_of(column: str, values: tuple[str, ...]) -> str:
    return f"{column} IN ({', '.join(repr(value) for value in values)})"


def rebuild_on_sqlite(table: str, before: str, after: str) -> None:
    """Make the table again with one CHECK exchanged, since SQLite cannot alter one.

    The definition is the one SQLite itself keeps, so that nothing of it can get lost; dropping a table fires no
    trigger. Source : "Making Other Kinds Of Table Schema Changes", sqlite.org/lang_altertable.html.
    """
    connection = op.get_bind()

    def stored(kinds: str) -> list[str]:
        query = f"SELECT sql FROM sqlite_master WHERE tbl_name = '{table}' AND type IN ({kinds}) AND sql IS NOT NULL"
        return [sql for (sql,) in connection.exec_driver_sql(query)]

    [definition] = stored("'table'")
    around = stored("'index', 'trigger'")
    if definition.count(before) != 1:
        raise RuntimeError(f"the definition of {table} does not say {before!r} once: {definition}")
    head, _, body = definition.partition("(")
    if table not in head:
        raise RuntimeError(f"unexpected definition of {table}: {definition}")
    connection.exec_driver_sql(f"CREATE TABLE {table}_changed ({body.replace(before, after)}")
    connection.exec_driver_sql(f"INSERT INTO {table}_changed SELECT * FROM {table}")
    connection.exec_driver_sql(f"DROP TABLE {table}")
    connection.exec_driver_sql(f"ALTER TABLE {table}_changed RENAME TO {table}")
    for sql in around:
        connection.exec_driver_sql(sql)


def downgrade() -> None:
    op.drop_index("ix_process_equipment_id_started_at", table_name="process")
    if op.get_bind().dialect.name != "sqlite":
        op.drop_constraint(op.f("ck_equipment_event_stop_lasts"), "equipment_event", type_="check")
        op.drop_constraint(op.f("ck_equipment_event_interval"), "equipment_event", type_="check")
    op.drop_column("equipment_event", "end_at")
    for table, column, constraint, before, after in CLOSED_LISTS:
        change_list(table, column, constraint, after, before)
    for column in ("seq", "equipment_id"):
        op.drop_index(op.f(f"ix_residence_{column}"), table_name="residence")
    op.drop_table("residence")
