"""Add what is noticed at the gate: remarks with their photos; and find tickets by the day of arrival.

No import of the service here: this revision must still run when the code has moved on.
"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

# A moment in UTC: timestamptz on PostgreSQL, fixed-width text on SQLite.
MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(27), "sqlite")

KINDS = ("damaged", "wet", "odour", "contaminated", "foreign_object", "other")


def upgrade() -> None:
    op.create_table(
        "attachment",
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("media_type", sa.String(32), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=True),
        sa.Column("stored_at", MOMENT, nullable=False),
        sa.CheckConstraint("length(sha256) = 64", name=op.f("ck_attachment_sha256")),
        sa.CheckConstraint("media_type = 'image/jpeg'", name=op.f("ck_attachment_media_type")),
        sa.CheckConstraint("size_bytes > 0", name=op.f("ck_attachment_size")),
        sa.CheckConstraint("content IS NULL OR length(content) = size_bytes", name=op.f("ck_attachment_content")),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_attachment")),
    )
    op.create_table(
        "remark",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("delivery_id", sa.BigInteger(), nullable=False),
        sa.Column("lot_id", sa.BigInteger(), nullable=True),
        sa.Column(
            "kind",
            sa.Enum(*KINDS, name="remarkkind", native_enum=False, create_constraint=True, length=32),
            nullable=False,
        ),
        sa.Column("note_id", sa.BigInteger(), nullable=True),
        sa.Column("photo_sha256", sa.String(64), nullable=True),
        sa.CheckConstraint("kind <> 'other' OR note_id IS NOT NULL", name=op.f("ck_remark_other_is_named")),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_remark_home_log")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_remark_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_remark_version")),
        sa.ForeignKeyConstraint(["delivery_id"], ["identity.id"], name=op.f("fk_remark_delivery_id")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_remark_id")),
        sa.ForeignKeyConstraint(["lot_id"], ["identity.id"], name=op.f("fk_remark_lot_id")),
        sa.ForeignKeyConstraint(["note_id"], ["text_commitment.id"], name=op.f("fk_remark_note_id")),
        sa.ForeignKeyConstraint(["photo_sha256"], ["attachment.sha256"], name=op.f("fk_remark_photo_sha256")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_remark_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_remark")),
    )
    for column in ("delivery_id", "photo_sha256", "seq"):
        op.create_index(op.f(f"ix_remark_{column}"), "remark", [column], unique=False)
    op.create_index(op.f("ix_delivery_arrived_at"), "delivery", ["arrived_at"], unique=False)
    protect_remarks()


def protect_remarks() -> None:
    """Refuse UPDATE, DELETE and TRUNCATE of remarks; a photo may be erased, so attachments are not protected."""
    if op.get_bind().dialect.name == "sqlite":
        for action in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER remark_no_{action.lower()} BEFORE {action} ON remark "
                "BEGIN SELECT RAISE(ABORT, 'remark is append-only: record a new version'); END"
            )
        return
    op.execute(
        "CREATE TRIGGER remark_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON remark "
        "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
    )


def downgrade() -> None:
    op.drop_index(op.f("ix_delivery_arrived_at"), table_name="delivery")
    for column in ("seq", "photo_sha256", "delivery_id"):
        op.drop_index(op.f(f"ix_remark_{column}"), table_name="remark")
    op.drop_table("remark")
    op.drop_table("attachment")
