"""Particulars and upkeep, leave and closures, withdrawals, reports issued, what was moved in.

Revision: 0004
After: 0003
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

KEYS: dict[str, list[tuple[str, ...]]] = {
    "move_in": [("id",), ("site_id", "number")],
    "shop_closure": [("id",), ("site_id", "first_on", "last_on")],
    "site_particulars": [("id",), ("site_id", "effective_on")],
    "gauge_particulars": [("id",), ("gauge_id", "effective_on")],
    "gauge_upkeep": [("id",), ("gauge_id", "kind", "done_on")],
    "move_in_file": [("id",), ("move_in_id", "name")],
    "moved_record": [("id",), ("move_in_id", "kind", "key")],
    "person_leave": [("id",), ("person_id", "first_on", "last_on")],
    "switch_particulars": [("id",), ("switch_id", "effective_on")],
    "switch_receipt": [("id",), ("switch_id", "received_on")],
    "planning_withdrawal": [
        ("id",),
        ("gauge_absence_id",),
        ("holiday_id",),
        ("person_leave_id",),
        ("redundant_group_id",),
        ("shop_closure_id",),
    ],
    "issued_report": [("id",), ("calibration_id", "issue")],
}
"""Each new table with its primary key and its other unique keys, for the guard on INSERT."""


def upgrade() -> None:
    op.create_table(
        "move_in",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(length=60), nullable=False),
        sa.Column("mapping", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_move_in_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_move_in")),
        sa.UniqueConstraint("site_id", "number", name=op.f("uq_move_in_site_id_number")),
    )
    op.create_table(
        "shop_closure",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("first_on", sa.Date(), nullable=False),
        sa.Column("last_on", sa.Date(), nullable=False),
        sa.Column("name", sa.String(length=300), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint("last_on >= first_on", name=op.f("ck_shop_closure_dates_in_order")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_shop_closure_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shop_closure")),
        sa.UniqueConstraint(
            "site_id", "first_on", "last_on", name=op.f("uq_shop_closure_site_id_first_on_last_on")
        ),
    )
    op.create_table(
        "site_particulars",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("effective_on", sa.Date(), nullable=False),
        sa.Column("shop_name", sa.String(length=300), nullable=False),
        sa.Column("shop_address", sa.Text(), nullable=False),
        sa.Column("customer_name", sa.String(length=300), nullable=False),
        sa.Column("customer_address", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_site_particulars_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site_particulars")),
        sa.UniqueConstraint(
            "site_id", "effective_on", name=op.f("uq_site_particulars_site_id_effective_on")
        ),
    )
    op.create_table(
        "gauge_particulars",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("gauge_id", sa.Integer(), nullable=False),
        sa.Column("effective_on", sa.Date(), nullable=False),
        sa.Column("maker", sa.String(length=300), nullable=False),
        sa.Column("model", sa.String(length=300), nullable=False),
        sa.Column("software_version", sa.String(length=300), nullable=False),
        sa.Column("kept_at", sa.String(length=300), nullable=False),
        sa.Column("maintenance", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(
            ["gauge_id"], ["gauge.id"], name=op.f("fk_gauge_particulars_gauge_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge_particulars")),
        sa.UniqueConstraint(
            "gauge_id", "effective_on", name=op.f("uq_gauge_particulars_gauge_id_effective_on")
        ),
    )
    op.create_table(
        "gauge_upkeep",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("gauge_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("done_on", sa.Date(), nullable=False),
        sa.Column("done_by_id", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "kind IN ('maintenance', 'repair', 'modification', 'damage')",
            name=op.f("ck_gauge_upkeep_kind_known"),
        ),
        sa.CheckConstraint("length(note) > 0", name=op.f("ck_gauge_upkeep_note_made")),
        sa.ForeignKeyConstraint(
            ["done_by_id"], ["person.id"], name=op.f("fk_gauge_upkeep_done_by_id")
        ),
        sa.ForeignKeyConstraint(["gauge_id"], ["gauge.id"], name=op.f("fk_gauge_upkeep_gauge_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge_upkeep")),
        sa.UniqueConstraint(
            "gauge_id", "kind", "done_on", name=op.f("uq_gauge_upkeep_gauge_id_kind_done_on")
        ),
    )
    op.create_table(
        "move_in_file",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("move_in_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=300), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["move_in_id"], ["move_in.id"], name=op.f("fk_move_in_file_move_in_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_move_in_file")),
        sa.UniqueConstraint("move_in_id", "name", name=op.f("uq_move_in_file_move_in_id_name")),
    )
    op.create_table(
        "moved_record",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("move_in_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("key", sa.String(length=300), nullable=False),
        sa.Column("place", sa.String(length=300), nullable=False),
        sa.ForeignKeyConstraint(
            ["move_in_id"], ["move_in.id"], name=op.f("fk_moved_record_move_in_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_moved_record")),
        sa.UniqueConstraint(
            "move_in_id", "kind", "key", name=op.f("uq_moved_record_move_in_id_kind_key")
        ),
    )
    op.create_index("ix_moved_record_key", "moved_record", ["kind", "key"], unique=False)
    op.create_table(
        "person_leave",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("first_on", sa.Date(), nullable=False),
        sa.Column("last_on", sa.Date(), nullable=False),
        sa.Column("reason", sa.String(length=300), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint("last_on >= first_on", name=op.f("ck_person_leave_dates_in_order")),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_person_leave_person_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person_leave")),
        sa.UniqueConstraint(
            "person_id",
            "first_on",
            "last_on",
            name=op.f("uq_person_leave_person_id_first_on_last_on"),
        ),
    )
    op.create_table(
        "switch_particulars",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("switch_id", sa.Integer(), nullable=False),
        sa.Column("effective_on", sa.Date(), nullable=False),
        sa.Column("maker", sa.String(length=300), nullable=False),
        sa.Column("model", sa.String(length=300), nullable=False),
        sa.Column("stands_at", sa.String(length=300), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(
            ["switch_id"], ["switch.id"], name=op.f("fk_switch_particulars_switch_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_switch_particulars")),
        sa.UniqueConstraint(
            "switch_id", "effective_on", name=op.f("uq_switch_particulars_switch_id_effective_on")
        ),
    )
    op.create_table(
        "switch_receipt",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("switch_id", sa.Integer(), nullable=False),
        sa.Column("received_on", sa.Date(), nullable=False),
        sa.Column("received_by_id", sa.Integer(), nullable=False),
        sa.Column("condition", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(
            ["received_by_id"], ["person.id"], name=op.f("fk_switch_receipt_received_by_id")
        ),
        sa.ForeignKeyConstraint(
            ["switch_id"], ["switch.id"], name=op.f("fk_switch_receipt_switch_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_switch_receipt")),
        sa.UniqueConstraint(
            "switch_id", "received_on", name=op.f("uq_switch_receipt_switch_id_received_on")
        ),
    )
    op.create_table(
        "planning_withdrawal",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("holiday_id", sa.Integer(), nullable=True),
        sa.Column("person_leave_id", sa.Integer(), nullable=True),
        sa.Column("shop_closure_id", sa.Integer(), nullable=True),
        sa.Column("gauge_absence_id", sa.Integer(), nullable=True),
        sa.Column("redundant_group_id", sa.Integer(), nullable=True),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "(CASE WHEN holiday_id IS NULL THEN 0 ELSE 1 END + CASE WHEN person_leave_id IS NULL THEN 0 ELSE 1 END + CASE WHEN shop_closure_id IS NULL THEN 0 ELSE 1 END + CASE WHEN gauge_absence_id IS NULL THEN 0 ELSE 1 END + CASE WHEN redundant_group_id IS NULL THEN 0 ELSE 1 END) = 1",
            name=op.f("ck_planning_withdrawal_withdraws_one_thing"),
        ),
        sa.CheckConstraint("length(reason) > 0", name=op.f("ck_planning_withdrawal_reason_stated")),
        sa.ForeignKeyConstraint(
            ["gauge_absence_id"],
            ["gauge_absence.id"],
            name=op.f("fk_planning_withdrawal_gauge_absence_id"),
        ),
        sa.ForeignKeyConstraint(
            ["holiday_id"], ["holiday.id"], name=op.f("fk_planning_withdrawal_holiday_id")
        ),
        sa.ForeignKeyConstraint(
            ["person_leave_id"],
            ["person_leave.id"],
            name=op.f("fk_planning_withdrawal_person_leave_id"),
        ),
        sa.ForeignKeyConstraint(
            ["redundant_group_id"],
            ["redundant_group.id"],
            name=op.f("fk_planning_withdrawal_redundant_group_id"),
        ),
        sa.ForeignKeyConstraint(
            ["shop_closure_id"],
            ["shop_closure.id"],
            name=op.f("fk_planning_withdrawal_shop_closure_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_planning_withdrawal")),
        sa.UniqueConstraint(
            "gauge_absence_id", name=op.f("uq_planning_withdrawal_gauge_absence_id")
        ),
        sa.UniqueConstraint("holiday_id", name=op.f("uq_planning_withdrawal_holiday_id")),
        sa.UniqueConstraint("person_leave_id", name=op.f("uq_planning_withdrawal_person_leave_id")),
        sa.UniqueConstraint(
            "redundant_group_id", name=op.f("uq_planning_withdrawal_redundant_group_id")
        ),
        sa.UniqueConstraint("shop_closure_id", name=op.f("uq_planning_withdrawal_shop_closure_id")),
    )
    op.create_table(
        "issued_report",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("calibration_id", sa.Integer(), nullable=False),
        sa.Column("issue", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("size", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column(
            "audit_entries", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.Column("audit_head", sa.String(length=64), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint("issue > 0", name=op.f("ck_issued_report_issue_from_one")),
        sa.CheckConstraint("size > 0", name=op.f("ck_issued_report_not_empty")),
        sa.ForeignKeyConstraint(
            ["calibration_id"], ["calibration.id"], name=op.f("fk_issued_report_calibration_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_issued_report")),
        sa.UniqueConstraint(
            "calibration_id", "issue", name=op.f("uq_issued_report_calibration_id_issue")
        ),
    )
    # ### end Alembic commands ###

    guard_sqlite() if op.get_bind().dialect.name == "sqlite" else guard_postgresql()


def guard_sqlite() -> None:
    for table, keys in KEYS.items():
        taken = " OR ".join(
            f"EXISTS (SELECT 1 FROM {table} WHERE "
            + " AND ".join(f"{column} = NEW.{column}" for column in columns)
            + ")"
            for columns in keys
        )
        for event, condition, words in (
            ("UPDATE", "", "rows are never changed"),
            ("DELETE", "", "rows are never removed"),
            # REPLACE removes the old row without firing a delete trigger
            ("INSERT", f"WHEN {taken} ", "already has this key"),
        ):
            # straight to the driver: a colon in the message is not a bound parameter
            op.get_bind().exec_driver_sql(
                f"CREATE TRIGGER guard_{table}_{event.lower()} BEFORE {event} ON {table} "
                f"{condition}BEGIN SELECT RAISE(ABORT, 'append-only: {table} {words}'); END"
            )


def guard_postgresql() -> None:
    run = op.get_bind().exec_driver_sql
    for table in KEYS:
        run(
            f"CREATE TRIGGER guard_{table}_change BEFORE DELETE OR UPDATE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION calfleet_refuse_change()"
        )
        run(
            f"CREATE TRIGGER guard_{table}_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION calfleet_refuse_change()"
        )


def downgrade() -> None:
    raise RuntimeError("A site is never taken back to an older revision: restore its backup.")
