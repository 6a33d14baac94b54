"""Add the log-ins of people at a page: revocable, only a digest of the cookie is kept.

No import of the service here: this revision must still run when the code has moved on.
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

# A moment in UTC: timestamptz on PostgreSQL, fixed-width text on SQLite.
MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(27), "sqlite")


def upgrade() -> None:
    op.create_table(
        "browser_session",
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("actor_id", sa.BigInteger(), nullable=False),
        sa.Column("credential_sha256", sa.String(64), nullable=False),
        sa.Column("site_no", sa.Integer(), nullable=True),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("expires_at", MOMENT, nullable=False),
        sa.Column("revoked_at", MOMENT, nullable=True),
        sa.ForeignKeyConstraint(["actor_id"], ["identity.id"], name=op.f("fk_browser_session_actor_id")),
        sa.ForeignKeyConstraint(
            ["credential_sha256"], ["credential.sha256"], name=op.f("fk_browser_session_credential_sha256")
        ),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_browser_session")),
    )


def downgrade() -> None:
    op.drop_table("browser_session")
