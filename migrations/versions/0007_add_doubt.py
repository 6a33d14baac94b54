"""Add what says how well a balance is known: doubt of moistures, U95 on balances, the settings behind them.

No import of the service here: this revision must still run when the code has moved on. Rows of before keep NULLs,
which are left out of the rows' hashes.
"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

KEYS_BEFORE = (
    "balance_tolerance_fraction",
    "default_moisture_fraction",
    "supplier_net_tolerance_fraction",
    "lot_tolerance_kg",
)
KEYS = (
    *KEYS_BEFORE,
    "moisture_u_fraction",
    "guessed_moisture_u_fraction",
    "allocation_spread_fraction",
    "estimate_half_width_fraction",
    "unstated_half_width_fraction",
    "expired_half_width_fraction",
    "listed_tie_half_width_fraction",
    "expected_low_fraction",
    "expected_high_fraction",
    "label_pass_left_fraction",
    # Those of the revision that follows: a database that came down from there goes up again with its rows.
    "period_tolerance_fraction",
    "shift_starts",
    "audit_year_start",
    "bulk_density_kg_m3",
    "level_half_width_fraction",
)
VERDICTS = ("within_doubt", "loss_beyond_doubt", "gain_beyond_doubt")
DOUBT_RULES = {
    "doubt_whole": "(u95_ug IS NULL) = (coverage_ppm IS NULL) AND (u95_ug IS NULL) = (doubt_verdict IS NULL)",
    "u95": "u95_ug IS NULL OR (u95_ug >= 0 AND coverage_ppm > 0)",
    "doubt_judged": "u95_ug IS NULL OR (doubt_verdict = 'within_doubt') = (abs(unexplained_ug) <= u95_ug)",
}
TABLES = ("setting", "measurement", "balance")
NAMING = {"ck": "%(constraint_name)s"}


def upgrade() -> None:
    with op.batch_alter_table("setting", naming_convention=NAMING) as setting:
        setting.drop_constraint(op.f("ck_setting_settingkey"), type_="check")
        setting.create_check_constraint(op.f("ck_setting_settingkey"), one_of("key", KEYS))
    with op.batch_alter_table("measurement", naming_convention=NAMING) as measurement:
        measurement.add_column(sa.Column("u_value", sa.String(32), nullable=True))
    with op.batch_alter_table("balance", naming_convention=NAMING) as balance:
        balance.add_column(sa.Column("u95_ug", sa.BigInteger(), nullable=True))
        balance.add_column(sa.Column("coverage_ppm", sa.Integer(), nullable=True))
        balance.add_column(sa.Column("doubt_verdict", sa.String(32), nullable=True))
        balance.create_check_constraint(op.f("ck_balance_doubtverdict"), one_of("doubt_verdict", VERDICTS))
        for name, rule in DOUBT_RULES.items():
            balance.create_check_constraint(op.f(f"ck_balance_{name}"), rule)
    protect_again()


def one_of(column: str, members: tuple[str, ...]) -> str:
    return f"{column} IN ({', '.join(repr(member) for member in members)})"


def protect_again() -> None:
    """On SQLite the tables were built anew, and the triggers that refuse changes went with the old ones."""
    if op.get_bind().dialect.name != "sqlite":
        return
    for table in TABLES:
        for action in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER IF NOT EXISTS {table}_no_{action.lower()} BEFORE {action} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: record a new version'); END"
            )


def downgrade() -> None:
    """Fails once a doubt is recorded: a fact is never dropped. The longer list of settings stays; it does no harm."""
    for table, column in (("balance", "u95_ug"), ("measurement", "u_value")):
        stated = sa.text(f"SELECT 1 FROM {table} WHERE {column} IS NOT NULL LIMIT 1")
        if op.get_bind().execute(stated).first() is not None:
            raise RuntimeError(f"{table}.{column} holds facts that the form before has no place for")
    with op.batch_alter_table("balance", naming_convention=NAMING) as balance:
        for name in ("doubtverdict", *DOUBT_RULES):
            balance.drop_constraint(op.f(f"ck_balance_{name}"), type_="check")
        for column in ("u95_ug", "coverage_ppm", "doubt_verdict"):
            balance.drop_column(column)
    with op.batch_alter_table("measurement", naming_convention=NAMING) as measurement:
        measurement.drop_column("u_value")
    protect_again()
