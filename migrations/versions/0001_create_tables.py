"""Create every table of the main job, and the triggers that keep facts append-only.

No import of the service here: this revision must still run when the code has moved on.
"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

# A moment in UTC: timestamptz on PostgreSQL, fixed-width text on SQLite.
MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(27), "sqlite")

# Inserted once, never changed: a correction is a new version.
FACT_TABLES = [
    "identity",
    "line_tare",
    "lot",
    "paper",
    "text_commitment",
    "actor",
    "balance",
    "container_type",
    "contract",
    "deduction",
    "delivery",
    "equipment",
    "equipment_event",
    "hold",
    "instrument",
    "line",
    "lot_fact",
    "lot_mass",
    "material",
    "measurement",
    "partner",
    "process",
    "setting",
    "site",
    "weighing",
    "weighing_choice",
    "journal",
    "checkpoint",
]


def upgrade() -> None:
    op.create_table(
        "checkpoint",
        sa.Column("log_no", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("size", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("root", sa.String(64), nullable=False),
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("signed_note", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("log_no", "size", name=op.f("pk_checkpoint")),
    )
    op.create_table(
        "counter",
        sa.Column("site_no", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("series", sa.String(32), nullable=False),
        sa.Column("next_number", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("site_no", "series", name=op.f("pk_counter")),
    )
    op.create_table(
        "idempotency",
        sa.Column("actor_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("key", sa.String(128), nullable=False),
        sa.Column("route", sa.String(200), nullable=False),
        sa.Column("request_hash", sa.String(64), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("headers", sa.Text(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=True),
        sa.Column("stored_at", MOMENT, nullable=False),
        sa.PrimaryKeyConstraint("actor_id", "key", name=op.f("pk_idempotency")),
    )
    op.create_index(op.f("ix_idempotency_stored_at"), "idempotency", ["stored_at"], unique=False)
    op.create_table(
        "identity",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("kind", sa.String(32), nullable=False),
        sa.CheckConstraint("id % 1099511627776 > 0", name=op.f("ck_identity_number")),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_identity_home_log")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_identity")),
    )
    op.create_index(op.f("ix_identity_seq"), "identity", ["seq"], unique=False)
    op.create_table(
        "journal_head",
        sa.Column("log_no", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("frontier", sa.LargeBinary(), nullable=False),
        sa.Column("root", sa.String(64), nullable=False),
        sa.Column("last_recorded_at", MOMENT, nullable=True),
        sa.PrimaryKeyConstraint("log_no", name=op.f("pk_journal_head")),
    )
    op.create_table(
        "credential",
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("actor_id", sa.BigInteger(), nullable=False),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("expires_at", MOMENT, nullable=True),
        sa.Column("revoked_at", MOMENT, nullable=True),
        sa.ForeignKeyConstraint(["actor_id"], ["identity.id"], name=op.f("fk_credential_actor_id")),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_credential")),
    )
    op.create_table(
        "journal",
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("log_no", sa.Integer(), nullable=False),
        sa.Column("leaf_index", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.String(64), nullable=False),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("booked_on", sa.String(10), nullable=True),
        sa.Column("actor_id", sa.BigInteger(), nullable=False),
        sa.Column("request_id", sa.String(64), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("rows_hash", sa.String(64), nullable=False),
        sa.Column("leaf_hash", sa.String(64), nullable=False),
        sa.Column("format_version", sa.Integer(), nullable=False),
        sa.CheckConstraint("leaf_index >= 0", name=op.f("ck_journal_leaf_index")),
        sa.CheckConstraint("length(rows_hash) = 64 AND length(leaf_hash) = 64", name=op.f("ck_journal_hashes")),
        sa.CheckConstraint("seq = log_no * 1099511627776 + leaf_index", name=op.f("ck_journal_position")),
        sa.ForeignKeyConstraint(["actor_id"], ["identity.id"], name=op.f("fk_journal_actor_id")),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_journal")),
    )
    op.create_index(op.f("ix_journal_recorded_at"), "journal", ["recorded_at"], unique=False)
    op.create_table(
        "line_tare",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("line_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("line_version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("container_type_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.CheckConstraint("pieces > 0", name=op.f("ck_line_tare_pieces")),
        sa.ForeignKeyConstraint(["container_type_id"], ["identity.id"], name=op.f("fk_line_tare_container_type_id")),
        sa.ForeignKeyConstraint(["line_id"], ["identity.id"], name=op.f("fk_line_tare_line_id")),
        sa.PrimaryKeyConstraint("line_id", "line_version", "container_type_id", name=op.f("pk_line_tare")),
    )
    op.create_index(op.f("ix_line_tare_seq"), "line_tare", ["seq"], unique=False)
    op.create_table(
        "lot",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("code", sa.String(10), nullable=False),
        sa.Column(
            "kind",
            sa.Enum(
                "bale",
                "loose",
                "flake",
                "pellets",
                "by_product",
                "virgin",
                "additive",
                "rework",
                "container",
                name="lotkind",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column(
            "origin",
            sa.Enum(
                "delivery", "opening", "process", name="lotorigin", native_enum=False, create_constraint=True, length=32
            ),
            nullable=False,
        ),
        sa.Column("delivery_id", sa.BigInteger(), nullable=True),
        sa.Column("supplier_tag", sa.String(64), nullable=True),
        sa.Column("born_at", MOMENT, nullable=False),
        sa.CheckConstraint("(origin = 'delivery') = (delivery_id IS NOT NULL)", name=op.f("ck_lot_delivery_of_origin")),
        sa.CheckConstraint("length(code) = 10", name=op.f("ck_lot_code")),
        sa.ForeignKeyConstraint(["delivery_id"], ["identity.id"], name=op.f("fk_lot_delivery_id")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_lot_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot")),
        sa.UniqueConstraint("code", name=op.f("uq_lot_code")),
    )
    op.create_index(op.f("ix_lot_delivery_id"), "lot", ["delivery_id"], unique=False)
    op.create_index(op.f("ix_lot_seq"), "lot", ["seq"], unique=False)
    op.create_table(
        "lot_stock",
        sa.Column("lot_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("on_hand_g", sa.BigInteger(), nullable=False),
        sa.Column("tolerance_g", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("on_hand_g >= -tolerance_g", name=op.f("ck_lot_stock_not_oversold")),
        sa.CheckConstraint("tolerance_g >= 0", name=op.f("ck_lot_stock_tolerance")),
        sa.ForeignKeyConstraint(["lot_id"], ["identity.id"], name=op.f("fk_lot_stock_lot_id")),
        sa.PrimaryKeyConstraint("lot_id", name=op.f("pk_lot_stock")),
    )
    op.create_table(
        "paper",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column(
            "kind",
            sa.Enum("lot_record", name="paperkind", native_enum=False, create_constraint=True, length=32),
            nullable=False,
        ),
        sa.Column("lot_id", sa.BigInteger(), nullable=False),
        sa.Column("issue_no", sa.Integer(), nullable=False),
        sa.Column("media_type", sa.String(64), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("issued_at", MOMENT, nullable=False),
        sa.CheckConstraint("issue_no >= 1", name=op.f("ck_paper_issue_no")),
        sa.CheckConstraint("length(sha256) = 64", name=op.f("ck_paper_sha256")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_paper_id")),
        sa.ForeignKeyConstraint(["lot_id"], ["identity.id"], name=op.f("fk_paper_lot_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_paper")),
        sa.UniqueConstraint("lot_id", "kind", "issue_no", name=op.f("uq_paper_lot_id_kind_issue_no")),
    )
    op.create_index(op.f("ix_paper_seq"), "paper", ["seq"], unique=False)
    op.create_table(
        "text_commitment",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.CheckConstraint("length(sha256) = 64", name=op.f("ck_text_commitment_sha256")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_text_commitment_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_text_commitment")),
    )
    op.create_index(op.f("ix_text_commitment_seq"), "text_commitment", ["seq"], unique=False)
    op.create_table(
        "actor",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column(
            "kind",
            sa.Enum(
                "person",
                "device",
                "system",
                "erp",
                name="actorkind",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("name_id", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_actor_home_log")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_actor_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_actor_version")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_actor_id")),
        sa.ForeignKeyConstraint(["name_id"], ["text_commitment.id"], name=op.f("fk_actor_name_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_actor_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_actor")),
    )
    op.create_index(op.f("ix_actor_seq"), "actor", ["seq"], unique=False)
    op.create_table(
        "balance",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("process_id", sa.BigInteger(), nullable=False),
        sa.Column("inputs_hash", sa.String(64), nullable=False),
        sa.Column("dry_in_ug", sa.BigInteger(), nullable=False),
        sa.Column("dry_out_ug", sa.BigInteger(), nullable=False),
        sa.Column("estimated_out_ug", sa.BigInteger(), nullable=False),
        sa.Column("unexplained_ug", sa.BigInteger(), nullable=False),
        sa.Column("not_claimable_ug", sa.BigInteger(), nullable=False),
        sa.Column("tolerance_id", sa.BigInteger(), nullable=False),
        sa.Column("tolerance_ppm", sa.Integer(), nullable=False),
        sa.Column(
            "verdict",
            sa.Enum(
                "closes",
                "loss_above_tolerance",
                "gain_above_tolerance",
                "nothing_in",
                name="verdict",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("provisional", sa.Boolean(), nullable=False),
        sa.CheckConstraint(
            "not_claimable_ug = 0 OR verdict IN ('gain_above_tolerance', 'nothing_in')", name=op.f("ck_balance_gain")
        ),
        sa.CheckConstraint(
            "dry_in_ug >= 0 AND dry_out_ug >= 0 AND estimated_out_ug >= 0", name=op.f("ck_balance_signs")
        ),
        sa.CheckConstraint("length(inputs_hash) = 64", name=op.f("ck_balance_inputs_hash")),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_balance_home_log")),
        sa.CheckConstraint("tolerance_ppm BETWEEN 0 AND 1000000", name=op.f("ck_balance_tolerance")),
        sa.CheckConstraint("unexplained_ug = dry_in_ug - dry_out_ug", name=op.f("ck_balance_adds_up")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_balance_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_balance_version")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_balance_id")),
        sa.ForeignKeyConstraint(["process_id"], ["identity.id"], name=op.f("fk_balance_process_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_balance_reason_id")),
        sa.ForeignKeyConstraint(["tolerance_id"], ["identity.id"], name=op.f("fk_balance_tolerance_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_balance")),
    )
    op.create_index(op.f("ix_balance_process_id"), "balance", ["process_id"], unique=False)
    op.create_index(op.f("ix_balance_seq"), "balance", ["seq"], unique=False)
    op.create_table(
        "container_type",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("code", sa.String(32), nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("tare_g", sa.BigInteger(), nullable=False),
        sa.Column("u_tare_g", sa.BigInteger(), nullable=False),
        sa.Column("valid_from", MOMENT, nullable=False),
        sa.Column("valid_to", MOMENT, nullable=True),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_container_type_home_log")),
        sa.CheckConstraint("tare_g >= 0 AND u_tare_g >= 0", name=op.f("ck_container_type_tare")),
        sa.CheckConstraint("valid_to IS NULL OR valid_from < valid_to", name=op.f("ck_container_type_validity")),
        sa.CheckConstraint(
            "version = 1 OR reason_id IS NOT NULL", name=op.f("ck_container_type_correction_has_reason")
        ),
        sa.CheckConstraint("version >= 1", name=op.f("ck_container_type_version")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_container_type_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_container_type_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_container_type")),
    )
    op.create_index(op.f("ix_container_type_seq"), "container_type", ["seq"], unique=False)
    op.create_table(
        "contract",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("code", sa.String(32), nullable=False),
        sa.Column("partner_id", sa.BigInteger(), nullable=False),
        sa.Column("material_id", sa.BigInteger(), nullable=False),
        sa.Column("moisture_allowance_ppm", sa.Integer(), nullable=False),
        sa.Column(
            "payable_formula",
            sa.Enum(
                "additive",
                "dry_equivalent",
                name="payableformula",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("tie_g", sa.Integer(), nullable=False),
        sa.Column("valid_from", MOMENT, nullable=False),
        sa.Column("valid_to", MOMENT, nullable=True),
        sa.CheckConstraint("moisture_allowance_ppm BETWEEN 0 AND 1000000", name=op.f("ck_contract_allowance")),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_contract_home_log")),
        sa.CheckConstraint("tie_g >= 0", name=op.f("ck_contract_tie")),
        sa.CheckConstraint("valid_to IS NULL OR valid_from < valid_to", name=op.f("ck_contract_validity")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_contract_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_contract_version")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_contract_id")),
        sa.ForeignKeyConstraint(["material_id"], ["identity.id"], name=op.f("fk_contract_material_id")),
        sa.ForeignKeyConstraint(["partner_id"], ["identity.id"], name=op.f("fk_contract_partner_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_contract_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_contract")),
    )
    op.create_index(op.f("ix_contract_partner_id"), "contract", ["partner_id"], unique=False)
    op.create_index(op.f("ix_contract_seq"), "contract", ["seq"], unique=False)
    op.create_table(
        "deduction",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("delivery_id", sa.BigInteger(), nullable=False),
        sa.Column(
            "purpose",
            sa.Enum("physical", "payment", name="purpose", native_enum=False, create_constraint=True, length=32),
            nullable=False,
        ),
        sa.Column(
            "kind",
            sa.Enum(
                "tie",
                "pallet",
                "contaminant",
                name="deductionkind",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.Column("per_piece_g", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("(kind = 'contaminant') = (purpose = 'payment')", name=op.f("ck_deduction_kind_of_purpose")),
        sa.CheckConstraint("pieces > 0 AND per_piece_g > 0", name=op.f("ck_deduction_mass")),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_deduction_home_log")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_deduction_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_deduction_version")),
        sa.ForeignKeyConstraint(["delivery_id"], ["identity.id"], name=op.f("fk_deduction_delivery_id")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_deduction_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_deduction_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_deduction")),
    )
    op.create_index(op.f("ix_deduction_delivery_id"), "deduction", ["delivery_id"], unique=False)
    op.create_index(op.f("ix_deduction_seq"), "deduction", ["seq"], unique=False)
    op.create_table(
        "delivery",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("ticket_no", sa.String(32), nullable=False),
        sa.Column("supplier_id", sa.BigInteger(), nullable=False),
        sa.Column("carrier_id", sa.BigInteger(), nullable=True),
        sa.Column("owner_id", sa.BigInteger(), nullable=True),
        sa.Column("material_id", sa.BigInteger(), nullable=False),
        sa.Column("contract_id", sa.BigInteger(), nullable=True),
        sa.Column(
            "form",
            sa.Enum(
                "bales", "loose", "packed", name="deliveryform", native_enum=False, create_constraint=True, length=32
            ),
            nullable=False,
        ),
        sa.Column("arrived_at", MOMENT, nullable=False),
        sa.Column("plate_id", sa.BigInteger(), nullable=True),
        sa.Column("driver_id", sa.BigInteger(), nullable=True),
        sa.Column("note_no", sa.String(64), nullable=True),
        sa.Column("note_mass_g", sa.BigInteger(), nullable=True),
        sa.Column("note_count", sa.Integer(), nullable=True),
        sa.Column("counted", sa.Integer(), nullable=True),
        sa.Column("order_no", sa.String(64), nullable=True),
        sa.Column("origin_country", sa.String(2), nullable=True),
        sa.Column(
            "nonfood_status",
            sa.Enum(
                "tested",
                "stated",
                "unclassified",
                "missing",
                name="nonfoodstatus",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("nonfood_ppm", sa.Integer(), nullable=True),
        sa.Column(
            "decision",
            sa.Enum(
                "accepted",
                "deducted",
                "part_rejected",
                "rejected",
                "quarantined",
                name="decision",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.CheckConstraint(
            "(nonfood_ppm IS NOT NULL) = (nonfood_status IN ('tested', 'stated'))",
            name=op.f("ck_delivery_nonfood_known"),
        ),
        sa.CheckConstraint("counted IS NULL OR counted >= 0", name=op.f("ck_delivery_counted")),
        sa.CheckConstraint(
            "nonfood_ppm IS NULL OR nonfood_ppm BETWEEN 0 AND 1000000", name=op.f("ck_delivery_nonfood")
        ),
        sa.CheckConstraint("note_count IS NULL OR note_count >= 0", name=op.f("ck_delivery_note_count")),
        sa.CheckConstraint("note_mass_g IS NULL OR note_mass_g > 0", name=op.f("ck_delivery_note_mass")),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_delivery_home_log")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_delivery_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_delivery_version")),
        sa.ForeignKeyConstraint(["carrier_id"], ["identity.id"], name=op.f("fk_delivery_carrier_id")),
        sa.ForeignKeyConstraint(["contract_id"], ["identity.id"], name=op.f("fk_delivery_contract_id")),
        sa.ForeignKeyConstraint(["driver_id"], ["text_commitment.id"], name=op.f("fk_delivery_driver_id")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_delivery_id")),
        sa.ForeignKeyConstraint(["material_id"], ["identity.id"], name=op.f("fk_delivery_material_id")),
        sa.ForeignKeyConstraint(["owner_id"], ["identity.id"], name=op.f("fk_delivery_owner_id")),
        sa.ForeignKeyConstraint(["plate_id"], ["text_commitment.id"], name=op.f("fk_delivery_plate_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_delivery_reason_id")),
        sa.ForeignKeyConstraint(["supplier_id"], ["identity.id"], name=op.f("fk_delivery_supplier_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_delivery")),
    )
    op.create_index(op.f("ix_delivery_seq"), "delivery", ["seq"], unique=False)
    op.create_index(op.f("ix_delivery_supplier_id"), "delivery", ["supplier_id"], unique=False)
    op.create_table(
        "equipment",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("code", sa.String(32), nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column(
            "kind",
            sa.Enum(
                "bay",
                "silo",
                "dryer",
                "crystalliser",
                "reactor",
                "buffer",
                name="vesselkind",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("capacity_g", sa.BigInteger(), nullable=False),
        sa.Column(
            "mixing",
            sa.Enum(
                "run_mixed",
                "well_mixed",
                "first_in_first_out",
                name="mixing",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("proof_sha256", sa.String(64), nullable=True),
        sa.Column("proof_from", MOMENT, nullable=True),
        sa.Column("proof_to", MOMENT, nullable=True),
        sa.CheckConstraint("mixing <> 'run_mixed'", name=op.f("ck_equipment_regime")),
        sa.CheckConstraint(
            "(proof_sha256 IS NULL) = (proof_from IS NULL) AND (proof_to IS NULL OR proof_from < proof_to)",
            name=op.f("ck_equipment_proof_dated"),
        ),
        sa.CheckConstraint("capacity_g > 0", name=op.f("ck_equipment_capacity")),
        sa.CheckConstraint("proof_sha256 IS NULL OR length(proof_sha256) = 64", name=op.f("ck_equipment_proof")),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_equipment_home_log")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_equipment_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_equipment_version")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_equipment_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_equipment_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_equipment")),
    )
    op.create_index(op.f("ix_equipment_seq"), "equipment", ["seq"], unique=False)
    op.create_table(
        "equipment_event",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("equipment_id", sa.BigInteger(), nullable=False),
        sa.Column(
            "kind",
            sa.Enum("proven_empty", name="vesseleventkind", native_enum=False, create_constraint=True, length=32),
            nullable=False,
        ),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("note", sa.String(400), nullable=False),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_equipment_event_home_log")),
        sa.CheckConstraint(
            "version = 1 OR reason_id IS NOT NULL", name=op.f("ck_equipment_event_correction_has_reason")
        ),
        sa.CheckConstraint("version >= 1", name=op.f("ck_equipment_event_version")),
        sa.ForeignKeyConstraint(["equipment_id"], ["identity.id"], name=op.f("fk_equipment_event_equipment_id")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_equipment_event_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_equipment_event_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_equipment_event")),
    )
    op.create_index(op.f("ix_equipment_event_equipment_id"), "equipment_event", ["equipment_id"], unique=False)
    op.create_index(op.f("ix_equipment_event_seq"), "equipment_event", ["seq"], unique=False)
    op.create_table(
        "hold",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column(
            "subject_kind",
            sa.Enum(
                "lot", "delivery", "partner", name="holdsubject", native_enum=False, create_constraint=True, length=32
            ),
            nullable=False,
        ),
        sa.Column("subject_id", sa.BigInteger(), nullable=False),
        sa.Column("cause_id", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_hold_home_log")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_hold_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_hold_version")),
        sa.ForeignKeyConstraint(["cause_id"], ["text_commitment.id"], name=op.f("fk_hold_cause_id")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_hold_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_hold_reason_id")),
        sa.ForeignKeyConstraint(["subject_id"], ["identity.id"], name=op.f("fk_hold_subject_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_hold")),
    )
    op.create_index(op.f("ix_hold_seq"), "hold", ["seq"], unique=False)
    op.create_index(op.f("ix_hold_subject_id"), "hold", ["subject_id"], unique=False)
    op.create_table(
        "instrument",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("code", sa.String(32), nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column(
            "kind",
            sa.Enum(
                "weighbridge",
                "platform",
                "belt_weigher",
                "feeder",
                "laboratory",
                name="instrumentkind",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column(
            "accuracy_class",
            sa.Enum(
                "I", "II", "III", "IIII", name="accuracyclass", native_enum=False, create_constraint=True, length=32
            ),
            nullable=False,
        ),
        sa.Column("max_g", sa.BigInteger(), nullable=False),
        sa.Column("e_g", sa.BigInteger(), nullable=False),
        sa.Column("u_reading_g", sa.BigInteger(), nullable=True),
        sa.Column("u_span_ppm", sa.Integer(), nullable=True),
        sa.Column("calibrated_from", MOMENT, nullable=True),
        sa.Column("calibrated_to", MOMENT, nullable=True),
        sa.CheckConstraint(
            "calibrated_to IS NULL OR calibrated_from < calibrated_to", name=op.f("ck_instrument_calibration")
        ),
        sa.CheckConstraint("max_g > 0 AND e_g > 0 AND e_g < max_g", name=op.f("ck_instrument_capacity")),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_instrument_home_log")),
        sa.CheckConstraint("u_reading_g IS NULL OR u_reading_g > 0", name=op.f("ck_instrument_u_reading")),
        sa.CheckConstraint("u_span_ppm IS NULL OR u_span_ppm >= 0", name=op.f("ck_instrument_u_span")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_instrument_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_instrument_version")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_instrument_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_instrument_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_instrument")),
    )
    op.create_index(op.f("ix_instrument_seq"), "instrument", ["seq"], unique=False)
    op.create_table(
        "line",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("process_id", sa.BigInteger(), nullable=False),
        sa.Column("lot_id", sa.BigInteger(), nullable=True),
        sa.Column(
            "direction",
            sa.Enum("in", "out", name="direction", native_enum=False, create_constraint=True, length=32),
            nullable=False,
        ),
        sa.Column(
            "category",
            sa.Enum(
                "feed",
                "product",
                "by_product",
                "waste",
                "loss",
                "ties",
                "internal_loop",
                name="category",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("stream", sa.String(48), nullable=False),
        sa.Column(
            "amount",
            sa.Enum(
                "mass",
                "whole",
                "rest",
                "fraction_of_dry_in",
                name="amount",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("mass_g", sa.BigInteger(), nullable=True),
        sa.Column("fraction_ppm", sa.Integer(), nullable=True),
        sa.Column("moisture_id", sa.BigInteger(), nullable=True),
        sa.Column("start_at", MOMENT, nullable=False),
        sa.Column("end_at", MOMENT, nullable=True),
        sa.Column("instrument_id", sa.BigInteger(), nullable=True),
        sa.Column("gross_g", sa.BigInteger(), nullable=True),
        sa.CheckConstraint(
            "(amount = 'fraction_of_dry_in') = (fraction_ppm IS NOT NULL)", name=op.f("ck_line_fraction_given")
        ),
        sa.CheckConstraint(
            "(amount = 'fraction_of_dry_in') = (moisture_id IS NULL)", name=op.f("ck_line_moisture_named")
        ),
        sa.CheckConstraint("(amount = 'mass') = (mass_g IS NOT NULL)", name=op.f("ck_line_mass_given")),
        sa.CheckConstraint(
            "amount <> 'fraction_of_dry_in' OR lot_id IS NULL", name=op.f("ck_line_estimate_has_no_lot")
        ),
        sa.CheckConstraint("amount NOT IN ('whole', 'rest') OR direction = 'in'", name=op.f("ck_line_rest_is_fed")),
        sa.CheckConstraint("gross_g IS NULL OR (amount = 'mass' AND gross_g >= mass_g)", name=op.f("ck_line_gross")),
        sa.CheckConstraint(
            "lot_id IS NOT NULL OR (direction = 'out' AND category IN ('loss', 'waste'))", name=op.f("ck_line_lot")
        ),
        sa.CheckConstraint("end_at IS NULL OR start_at < end_at", name=op.f("ck_line_interval")),
        sa.CheckConstraint("fraction_ppm IS NULL OR fraction_ppm BETWEEN 1 AND 1000000", name=op.f("ck_line_fraction")),
        sa.CheckConstraint("mass_g IS NULL OR mass_g > 0", name=op.f("ck_line_mass")),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_line_home_log")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_line_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_line_version")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_line_id")),
        sa.ForeignKeyConstraint(["instrument_id"], ["identity.id"], name=op.f("fk_line_instrument_id")),
        sa.ForeignKeyConstraint(["lot_id"], ["identity.id"], name=op.f("fk_line_lot_id")),
        sa.ForeignKeyConstraint(["moisture_id"], ["identity.id"], name=op.f("fk_line_moisture_id")),
        sa.ForeignKeyConstraint(["process_id"], ["identity.id"], name=op.f("fk_line_process_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_line_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_line")),
    )
    op.create_index(op.f("ix_line_lot_id"), "line", ["lot_id"], unique=False)
    op.create_index(op.f("ix_line_moisture_id"), "line", ["moisture_id"], unique=False)
    op.create_index("ix_line_process_id_direction", "line", ["process_id", "direction"], unique=False)
    op.create_index(op.f("ix_line_seq"), "line", ["seq"], unique=False)
    op.create_table(
        "lot_fact",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("material_id", sa.BigInteger(), nullable=False),
        sa.Column("owner_id", sa.BigInteger(), nullable=True),
        sa.Column("place", sa.String(64), nullable=True),
        sa.Column("note", sa.String(400), nullable=True),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_lot_fact_home_log")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_lot_fact_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_lot_fact_version")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_lot_fact_id")),
        sa.ForeignKeyConstraint(["material_id"], ["identity.id"], name=op.f("fk_lot_fact_material_id")),
        sa.ForeignKeyConstraint(["owner_id"], ["identity.id"], name=op.f("fk_lot_fact_owner_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_lot_fact_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_lot_fact")),
    )
    op.create_index(op.f("ix_lot_fact_seq"), "lot_fact", ["seq"], unique=False)
    op.create_table(
        "lot_mass",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("material_g", sa.BigInteger(), nullable=False),
        sa.Column("tie_g", sa.BigInteger(), nullable=False),
        sa.Column(
            "basis",
            sa.Enum(
                "weighed",
                "allocated",
                "declared",
                name="massbasis",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("weighing_id", sa.BigInteger(), nullable=True),
        sa.CheckConstraint(
            "(basis = 'weighed') = (weighing_id IS NOT NULL)", name=op.f("ck_lot_mass_weighed_names_weighing")
        ),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_lot_mass_home_log")),
        sa.CheckConstraint("tie_g >= 0", name=op.f("ck_lot_mass_tie")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_lot_mass_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_lot_mass_version")),
        sa.CheckConstraint("void OR material_g > 0", name=op.f("ck_lot_mass_material")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_lot_mass_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_lot_mass_reason_id")),
        sa.ForeignKeyConstraint(["weighing_id"], ["identity.id"], name=op.f("fk_lot_mass_weighing_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_lot_mass")),
    )
    op.create_index(op.f("ix_lot_mass_seq"), "lot_mass", ["seq"], unique=False)
    op.create_table(
        "material",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("code", sa.String(32), nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column(
            "form",
            sa.Enum(
                "bales",
                "loose",
                "flake",
                "pellets",
                "by_product",
                "virgin",
                "additive",
                name="materialform",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("polymer", sa.String(32), nullable=False),
        sa.Column("colour", sa.String(32), nullable=False),
        sa.Column(
            "waste_class",
            sa.Enum(
                "post_consumer",
                "pre_consumer",
                "none",
                "unclassified",
                name="wasteclass",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("food_candidate", sa.Boolean(), nullable=False),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_material_home_log")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_material_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_material_version")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_material_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_material_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_material")),
    )
    op.create_index(op.f("ix_material_seq"), "material", ["seq"], unique=False)
    op.create_table(
        "measurement",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("subject_id", sa.BigInteger(), nullable=False),
        sa.Column(
            "quantity",
            sa.Enum("moisture_fraction", name="quantity", native_enum=False, create_constraint=True, length=32),
            nullable=False,
        ),
        sa.Column("value", sa.String(32), nullable=False),
        sa.Column(
            "basis",
            sa.Enum(
                "default",
                "provisional",
                "measured",
                name="measurementbasis",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("setting_id", sa.BigInteger(), nullable=True),
        sa.Column("instrument_id", sa.BigInteger(), nullable=True),
        sa.Column("method", sa.String(100), nullable=True),
        sa.Column("taken_at", MOMENT, nullable=True),
        sa.Column("reported_at", MOMENT, nullable=True),
        sa.CheckConstraint("basis = 'default' OR taken_at IS NOT NULL", name=op.f("ck_measurement_taken")),
        sa.CheckConstraint(
            "reported_at IS NULL OR taken_at <= reported_at", name=op.f("ck_measurement_reported_after_taken")
        ),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_measurement_home_log")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_measurement_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_measurement_version")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_measurement_id")),
        sa.ForeignKeyConstraint(["instrument_id"], ["identity.id"], name=op.f("fk_measurement_instrument_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_measurement_reason_id")),
        sa.ForeignKeyConstraint(["setting_id"], ["identity.id"], name=op.f("fk_measurement_setting_id")),
        sa.ForeignKeyConstraint(["subject_id"], ["identity.id"], name=op.f("fk_measurement_subject_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_measurement")),
    )
    op.create_index(op.f("ix_measurement_seq"), "measurement", ["seq"], unique=False)
    op.create_index(op.f("ix_measurement_subject_id"), "measurement", ["subject_id"], unique=False)
    op.create_table(
        "partner",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("code", sa.String(32), nullable=False),
        sa.Column("name_id", sa.BigInteger(), nullable=False),
        sa.Column("is_supplier", sa.Boolean(), nullable=False),
        sa.Column("is_carrier", sa.Boolean(), nullable=False),
        sa.Column("is_customer", sa.Boolean(), nullable=False),
        sa.Column("is_laboratory", sa.Boolean(), nullable=False),
        sa.Column("is_mapped", sa.Boolean(), nullable=False),
        sa.Column("country", sa.String(2), nullable=True),
        sa.CheckConstraint("country IS NULL OR length(country) = 2", name=op.f("ck_partner_country")),
        sa.CheckConstraint(
            "is_supplier OR is_carrier OR is_customer OR is_laboratory", name=op.f("ck_partner_has_a_role")
        ),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_partner_home_log")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_partner_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_partner_version")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_partner_id")),
        sa.ForeignKeyConstraint(["name_id"], ["text_commitment.id"], name=op.f("fk_partner_name_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_partner_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_partner")),
    )
    op.create_index(op.f("ix_partner_seq"), "partner", ["seq"], unique=False)
    op.create_table(
        "private_text",
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("salt", sa.LargeBinary(), nullable=False),
        sa.Column("text", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["text_commitment.id"], name=op.f("fk_private_text_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_private_text")),
    )
    op.create_table(
        "process",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column(
            "step",
            sa.Enum(
                "label_separation",
                "wash",
                "rinse_and_flotation",
                "thermal_preheating",
                "flake_sorting",
                "drying",
                "extrusion",
                "crystallising",
                "reactor",
                "bagging",
                "resorting",
                "regrind",
                "split",
                "merge",
                "packing",
                "shipping",
                "vessel_period",
                "return_to_supplier",
                name="step",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("equipment_id", sa.BigInteger(), nullable=True),
        sa.Column("started_at", MOMENT, nullable=False),
        sa.Column("ended_at", MOMENT, nullable=True),
        sa.Column(
            "mixing",
            sa.Enum(
                "run_mixed",
                "well_mixed",
                "first_in_first_out",
                name="mixing",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("is_closed", sa.Boolean(), nullable=False),
        sa.Column("note", sa.String(400), nullable=True),
        sa.CheckConstraint(
            "(step = 'vessel_period') = (mixing <> 'run_mixed')", name=op.f("ck_process_only_vessels_mix_otherwise")
        ),
        sa.CheckConstraint("step <> 'vessel_period' OR equipment_id IS NOT NULL", name=op.f("ck_process_vessel_named")),
        sa.CheckConstraint("NOT is_closed OR ended_at IS NOT NULL", name=op.f("ck_process_closed_has_end")),
        sa.CheckConstraint("ended_at IS NULL OR started_at < ended_at", name=op.f("ck_process_interval")),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_process_home_log")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_process_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_process_version")),
        sa.ForeignKeyConstraint(["equipment_id"], ["identity.id"], name=op.f("fk_process_equipment_id")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_process_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_process_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_process")),
    )
    op.create_index(op.f("ix_process_equipment_id"), "process", ["equipment_id"], unique=False)
    op.create_index(op.f("ix_process_seq"), "process", ["seq"], unique=False)
    op.create_table(
        "setting",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column(
            "key",
            sa.Enum(
                "balance_tolerance_fraction",
                "default_moisture_fraction",
                "supplier_net_tolerance_fraction",
                "lot_tolerance_kg",
                name="settingkey",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("scope", sa.String(64), nullable=False),
        sa.Column("value", sa.String(64), nullable=False),
        sa.Column("valid_from", MOMENT, nullable=False),
        sa.Column("valid_to", MOMENT, nullable=True),
        sa.Column("source", sa.String(400), nullable=False),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_setting_home_log")),
        sa.CheckConstraint("valid_to IS NULL OR valid_from < valid_to", name=op.f("ck_setting_validity")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_setting_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_setting_version")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_setting_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_setting_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_setting")),
    )
    op.create_index(op.f("ix_setting_seq"), "setting", ["seq"], unique=False)
    op.create_table(
        "site",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("site_no", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(16), nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("zone", sa.String(64), nullable=False),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_site_home_log")),
        sa.CheckConstraint("site_no BETWEEN 1 AND 8191", name=op.f("ck_site_site_no")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_site_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_site_version")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_site_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_site_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_site")),
    )
    op.create_index(op.f("ix_site_seq"), "site", ["seq"], unique=False)
    op.create_table(
        "weighing",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("delivery_id", sa.BigInteger(), nullable=True),
        sa.Column("lot_id", sa.BigInteger(), nullable=True),
        sa.Column(
            "kind",
            sa.Enum(
                "gross", "tare", "platform", name="weighingkind", native_enum=False, create_constraint=True, length=32
            ),
            nullable=False,
        ),
        sa.Column("mass_g", sa.BigInteger(), nullable=False),
        sa.Column("instrument_id", sa.BigInteger(), nullable=True),
        sa.Column(
            "origin",
            sa.Enum(
                "own",
                "supplier",
                "third_party",
                name="weighingorigin",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column(
            "entry",
            sa.Enum(
                "indicator",
                "manual",
                "stored_tare",
                name="weighingentry",
                native_enum=False,
                create_constraint=True,
                length=32,
            ),
            nullable=False,
        ),
        sa.Column("weighed_at", MOMENT, nullable=False),
        sa.Column("ticket_series", sa.String(32), nullable=False),
        sa.Column("ticket_no", sa.String(32), nullable=False),
        sa.Column("frame", sa.LargeBinary(), nullable=True),
        sa.CheckConstraint("(kind = 'platform') = (lot_id IS NOT NULL)", name=op.f("ck_weighing_platform_weighs_lots")),
        sa.CheckConstraint("entry <> 'stored_tare' OR kind = 'tare'", name=op.f("ck_weighing_stored_tare")),
        sa.CheckConstraint("origin <> 'own' OR instrument_id IS NOT NULL", name=op.f("ck_weighing_own_names_scale")),
        sa.CheckConstraint("(delivery_id IS NULL) <> (lot_id IS NULL)", name=op.f("ck_weighing_one_subject")),
        sa.CheckConstraint("mass_g > 0", name=op.f("ck_weighing_mass")),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_weighing_home_log")),
        sa.CheckConstraint("version = 1 OR reason_id IS NOT NULL", name=op.f("ck_weighing_correction_has_reason")),
        sa.CheckConstraint("version >= 1", name=op.f("ck_weighing_version")),
        sa.ForeignKeyConstraint(["delivery_id"], ["identity.id"], name=op.f("fk_weighing_delivery_id")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_weighing_id")),
        sa.ForeignKeyConstraint(["instrument_id"], ["identity.id"], name=op.f("fk_weighing_instrument_id")),
        sa.ForeignKeyConstraint(["lot_id"], ["identity.id"], name=op.f("fk_weighing_lot_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_weighing_reason_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_weighing")),
    )
    op.create_index(op.f("ix_weighing_delivery_id"), "weighing", ["delivery_id"], unique=False)
    op.create_index(op.f("ix_weighing_lot_id"), "weighing", ["lot_id"], unique=False)
    op.create_index(op.f("ix_weighing_seq"), "weighing", ["seq"], unique=False)
    op.create_table(
        "weighing_choice",
        sa.Column("recorded_at", MOMENT, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.Column("reason_id", sa.BigInteger(), nullable=True),
        sa.Column("effective_at", MOMENT, nullable=False),
        sa.Column("delivery_id", sa.BigInteger(), nullable=False),
        sa.Column(
            "purpose",
            sa.Enum("physical", "payment", name="purpose", native_enum=False, create_constraint=True, length=32),
            nullable=False,
        ),
        sa.Column("gross_id", sa.BigInteger(), nullable=True),
        sa.Column("tare_id", sa.BigInteger(), nullable=True),
        sa.Column("agreed_net_g", sa.BigInteger(), nullable=True),
        sa.CheckConstraint(
            "agreed_net_g IS NULL OR purpose = 'payment'", name=op.f("ck_weighing_choice_physics_is_weighed")
        ),
        sa.CheckConstraint(
            "(agreed_net_g IS NULL) = (gross_id IS NOT NULL AND tare_id IS NOT NULL)",
            name=op.f("ck_weighing_choice_one_way"),
        ),
        sa.CheckConstraint("agreed_net_g IS NULL OR agreed_net_g > 0", name=op.f("ck_weighing_choice_agreed_net")),
        sa.CheckConstraint("seq / 1099511627776 = id / 1099511627776", name=op.f("ck_weighing_choice_home_log")),
        sa.CheckConstraint(
            "version = 1 OR reason_id IS NOT NULL", name=op.f("ck_weighing_choice_correction_has_reason")
        ),
        sa.CheckConstraint("version >= 1", name=op.f("ck_weighing_choice_version")),
        sa.ForeignKeyConstraint(["delivery_id"], ["identity.id"], name=op.f("fk_weighing_choice_delivery_id")),
        sa.ForeignKeyConstraint(["gross_id"], ["identity.id"], name=op.f("fk_weighing_choice_gross_id")),
        sa.ForeignKeyConstraint(["id"], ["identity.id"], name=op.f("fk_weighing_choice_id")),
        sa.ForeignKeyConstraint(["reason_id"], ["text_commitment.id"], name=op.f("fk_weighing_choice_reason_id")),
        sa.ForeignKeyConstraint(["tare_id"], ["identity.id"], name=op.f("fk_weighing_choice_tare_id")),
        sa.PrimaryKeyConstraint("id", "version", name=op.f("pk_weighing_choice")),
    )
    op.create_index(op.f("ix_weighing_choice_delivery_id"), "weighing_choice", ["delivery_id"], unique=False)
    op.create_index(op.f("ix_weighing_choice_seq"), "weighing_choice", ["seq"], unique=False)
    number_tickets_once()
    protect_facts()


def number_tickets_once() -> None:
    """A ticket number is given once per site (the site is in the id); later versions carry the same number."""
    first = sa.text("version = 1")
    site = sa.text("(id / 1099511627776)")
    for name, table, columns in (
        ("uq_delivery_ticket", "delivery", ["ticket_no"]),
        ("uq_weighing_ticket", "weighing", ["ticket_series", "ticket_no", "kind"]),
    ):
        op.create_index(name, table, [site, *columns], unique=True, sqlite_where=first, postgresql_where=first)


def protect_facts() -> None:
    """Refuse UPDATE, DELETE and TRUNCATE on facts in the database itself, whoever asks."""
    if op.get_bind().dialect.name == "sqlite":
        for table in FACT_TABLES:
            for action in ("UPDATE", "DELETE"):
                op.execute(
                    f"CREATE TRIGGER {table}_no_{action.lower()} BEFORE {action} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: record a new version'); END"
                )
        return
    op.execute(
        "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION '% is append-only: record a new version', TG_TABLE_NAME; END $$"
    )
    for table in FACT_TABLES:
        op.execute(
            f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        )


def downgrade() -> None:
    # Dropping a table takes its triggers along; the function on PostgreSQL goes last.
    op.drop_index(op.f("ix_weighing_choice_seq"), table_name="weighing_choice")
    op.drop_index(op.f("ix_weighing_choice_delivery_id"), table_name="weighing_choice")
    op.drop_table("weighing_choice")
    op.drop_index(op.f("ix_weighing_seq"), table_name="weighing")
    op.drop_index(op.f("ix_weighing_lot_id"), table_name="weighing")
    op.drop_index(op.f("ix_weighing_delivery_id"), table_name="weighing")
    op.drop_table("weighing")
    op.drop_index(op.f("ix_site_seq"), table_name="site")
    op.drop_table("site")
    op.drop_index(op.f("ix_setting_seq"), table_name="setting")
    op.drop_table("setting")
    op.drop_index(op.f("ix_process_seq"), table_name="process")
    op.drop_index(op.f("ix_process_equipment_id"), table_name="process")
    op.drop_table("process")
    op.drop_table("private_text")
    op.drop_index(op.f("ix_partner_seq"), table_name="partner")
    op.drop_table("partner")
    op.drop_index(op.f("ix_measurement_subject_id"), table_name="measurement")
    op.drop_index(op.f("ix_measurement_seq"), table_name="measurement")
    op.drop_table("measurement")
    op.drop_index(op.f("ix_material_seq"), table_name="material")
    op.drop_table("material")
    op.drop_index(op.f("ix_lot_mass_seq"), table_name="lot_mass")
    op.drop_table("lot_mass")
    op.drop_index(op.f("ix_lot_fact_seq"), table_name="lot_fact")
    op.drop_table("lot_fact")
    op.drop_index(op.f("ix_line_seq"), table_name="line")
    op.drop_index("ix_line_process_id_direction", table_name="line")
    op.drop_index(op.f("ix_line_moisture_id"), table_name="line")
    op.drop_index(op.f("ix_line_lot_id"), table_name="line")
    op.drop_table("line")
    op.drop_index(op.f("ix_instrument_seq"), table_name="instrument")
    op.drop_table("instrument")
    op.drop_index(op.f("ix_hold_subject_id"), table_name="hold")
    op.drop_index(op.f("ix_hold_seq"), table_name="hold")
    op.drop_table("hold")
    op.drop_index(op.f("ix_equipment_event_seq"), table_name="equipment_event")
    op.drop_index(op.f("ix_equipment_event_equipment_id"), table_name="equipment_event")
    op.drop_table("equipment_event")
    op.drop_index(op.f("ix_equipment_seq"), table_name="equipment")
    op.drop_table("equipment")
    op.drop_index(op.f("ix_delivery_supplier_id"), table_name="delivery")
    op.drop_index(op.f("ix_delivery_seq"), table_name="delivery")
    op.drop_table("delivery")
    op.drop_index(op.f("ix_deduction_seq"), table_name="deduction")
    op.drop_index(op.f("ix_deduction_delivery_id"), table_name="deduction")
    op.drop_table("deduction")
    op.drop_index(op.f("ix_contract_seq"), table_name="contract")
    op.drop_index(op.f("ix_contract_partner_id"), table_name="contract")
    op.drop_table("contract")
    op.drop_index(op.f("ix_container_type_seq"), table_name="container_type")
    op.drop_table("container_type")
    op.drop_index(op.f("ix_balance_seq"), table_name="balance")
    op.drop_index(op.f("ix_balance_process_id"), table_name="balance")
    op.drop_table("balance")
    op.drop_index(op.f("ix_actor_seq"), table_name="actor")
    op.drop_table("actor")
    op.drop_index(op.f("ix_text_commitment_seq"), table_name="text_commitment")
    op.drop_table("text_commitment")
    op.drop_index(op.f("ix_paper_seq"), table_name="paper")
    op.drop_table("paper")
    op.drop_table("lot_stock")
    op.drop_index(op.f("ix_lot_seq"), table_name="lot")
    op.drop_index(op.f("ix_lot_delivery_id"), table_name="lot")
    op.drop_table("lot")
    op.drop_index(op.f("ix_line_tare_seq"), table_name="line_tare")
    op.drop_table("line_tare")
    op.drop_index(op.f("ix_journal_recorded_at"), table_name="journal")
    op.drop_table("journal")
    op.drop_table("credential")
    op.drop_table("journal_head")
    op.drop_index(op.f("ix_identity_seq"), table_name="identity")
    op.drop_table("identity")
    op.drop_index(op.f("ix_idempotency_stored_at"), table_name="idempotency")
    op.drop_table("idempotency")
    op.drop_table("counter")
    op.drop_table("checkpoint")
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION refuse_change()")
