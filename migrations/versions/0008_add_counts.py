"""Add stock counts and level readings, the step that books what a count found, and the settings of periods.

No import of the service here: this revision must still run when the code has moved on.
"""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

# A moment in UTC: timestamptz on PostgreSQL, fixed-width text on SQLite.
MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(27), "sqlite")
NAMING = {"ck": "%(constraint_name)s"}

STEPS_BEFORE = (
    "label_separation", "wash", "rinse_and_flotation", "thermal_preheating", "flake_sorting", "drying", "extrusion",
    "crystallising", "reactor", "bagging", "resorting", "regrind", "split", "merge", "packing", "shipping",
    "vessel_period", "return_to_supplier",
)  # fmt: skip
STEPS = (*STEPS_BEFORE, "count_correction")
KEYS_BEFORE = (
    "balance_tolerance_fraction", "default_moisture_fraction", "supplier_net_tolerance_fraction", "lot_tolerance_kg",
    "moisture_u_fraction", "guessed_moisture_u_fraction", "allocation_spread_fraction", "estimate_half_width_fraction",
    "unstated_half_width_fraction", "expired_half_width_fraction", "listed_tie_half_width_fraction",
    "expected_low_fraction", "expected_high_fraction", "label_pass_left_fraction",
)  # fmt: skip
KEYS = (
    *KEYS_BEFORE,
    "period_tolerance_fraction",
    "shift_starts",
    "audit_year_start",
    "bulk_density_kg_m3",
    "level_half_width_fraction",
)
HOW = ("level", "volume", "load_cells")


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


def upgrade() -> None:
    op.create_table(
        "stock_count",
        *fact_columns(),
        sa.Column("place", sa.String(64), nullable=True),
        sa.Column("note_id", sa.BigInteger(), nullable=True),
        sa.Column("counter_id", sa.BigInteger(), nullable=False),
        sa.Column("approver_id", sa.BigInteger(), nullable=True),
        sa.Column("approved_at", MOMENT, nullable=True),
        *fact_constraints("stock_count", "counter_id", "approver_id"),
        sa.CheckConstraint(
            "approver_id IS NULL OR approver_id <> counter_id", name=op.f("ck_stock_count_another_approves")
        ),
        sa.CheckConstraint(
            "(approver_id IS NULL) = (approved_at IS NULL)", name=op.f("ck_stock_count_approved_by_someone")
        ),
        sa.ForeignKeyConstraint(["note_id"], ["text_commitment.id"], name=op.f("fk_stock_count_note_id")),
    )
    op.create_table(
        "stock_count_line",
        *fact_columns(),
        sa.Column("count_id", sa.BigInteger(), nullable=False),
        sa.Column("lot_id", sa.BigInteger(), nullable=False),
        sa.Column("is_found", sa.Boolean(), nullable=False),
        sa.Column("mass_g", sa.BigInteger(), nullable=True),
        sa.Column("pieces", sa.Integer(), nullable=True),
        sa.Column("booked_line_id", sa.BigInteger(), nullable=True),
        *fact_constraints("stock_count_line", "count_id", "lot_id", "booked_line_id"),
        sa.CheckConstraint(
            "is_found OR (mass_g IS NULL AND pieces IS NULL)", name=op.f("ck_stock_count_line_found_has_mass")
        ),
        sa.CheckConstraint("mass_g IS NULL OR mass_g > 0", name=op.f("ck_stock_count_line_mass")),
        sa.CheckConstraint("pieces IS NULL OR pieces > 0", name=op.f("ck_stock_count_line_pieces")),
    )
    op.create_table(
        "level_reading",
        *fact_columns(),
        sa.Column("equipment_id", sa.BigInteger(), nullable=False),
        sa.Column("how", closed_list("levelhow", HOW), nullable=False),
        sa.Column("level_ppm", sa.Integer(), nullable=True),
        sa.Column("volume_l", sa.BigInteger(), nullable=True),
        sa.Column("mass_g", sa.BigInteger(), nullable=True),
        sa.Column("material_id", sa.BigInteger(), nullable=False),
        sa.Column("moisture_ppm", sa.Integer(), nullable=True),
        *fact_constraints("level_reading", "equipment_id", "material_id"),
        sa.CheckConstraint("(how = 'level') = (level_ppm IS NOT NULL)", name=op.f("ck_level_reading_level")),
        sa.CheckConstraint("(how = 'volume') = (volume_l IS NOT NULL)", name=op.f("ck_level_reading_volume")),
        sa.CheckConstraint("(how = 'load_cells') = (mass_g IS NOT NULL)", name=op.f("ck_level_reading_load_cells")),
        sa.CheckConstraint(
            "level_ppm IS NULL OR level_ppm BETWEEN 0 AND 1000000", name=op.f("ck_level_reading_level_fraction")
        ),
        sa.CheckConstraint("volume_l IS NULL OR volume_l >= 0", name=op.f("ck_level_reading_volume_sign")),
        sa.CheckConstraint("mass_g IS NULL OR mass_g >= 0", name=op.f("ck_level_reading_mass_sign")),
        sa.CheckConstraint(
            "moisture_ppm IS NULL OR moisture_ppm BETWEEN 0 AND 1000000", name=op.f("ck_level_reading_moisture")
        ),
    )
    for table, columns in (
        ("stock_count", ("seq",)),
        ("stock_count_line", ("seq", "count_id", "lot_id")),
        ("level_reading", ("seq", "equipment_id")),
    ):
        for column in columns:
            op.create_index(op.f(f"ix_{table}_{column}"), table, [column], unique=False)
        protect(table)
    change_list("process", "ck_process_step", one_of("step", STEPS))
    change_list("setting", "ck_setting_settingkey", one_of("key", KEYS))


def change_list(table: str, constraint: str, rule: str) -> None:
    """Exchange the values a column may hold. No row is changed; on SQLite the table is built anew."""
    with op.batch_alter_table(table, naming_convention=NAMING) as changed:
        changed.drop_constraint(op.f(constraint), type_="check")
        changed.create_check_constraint(op.f(constraint), rule)
    if op.get_bind().dialect.name == "sqlite":  # the triggers went with the old table
        protect(table)


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
    """Fails once something was counted or read: a fact is never dropped. The longer lists stay: they refuse nothing."""
    for table in ("stock_count_line", "stock_count", "level_reading"):
        if op.get_bind().execute(sa.text(f"SELECT 1 FROM {table} LIMIT 1")).first() is not None:
            raise RuntimeError(f"{table} holds facts that the form before has no place for")
    for table in ("stock_count_line", "stock_count", "level_reading"):
        op.drop_table(table)
