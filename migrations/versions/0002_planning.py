"""What planning stands on: outages, hours, absences, usage, deferrals, and the plans.

Revision: 0002
After: 0001
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

KEYS: dict[str, list[tuple[str, ...]]] = {
    "holiday": [("id",), ("site_id", "day")],
    "outage": [("id",), ("site_id", "code", "revision")],
    "plan": [("id",), ("site_id", "number")],
    "redundant_group": [("id",), ("site_id", "code")],
    "deferral": [("id",), ("switch_id", "due_on", "until")],
    "gauge_absence": [("id",), ("gauge_id", "first_on", "last_on")],
    "laboratory_terms": [("id",), ("laboratory_id", "effective_on")],
    "outage_area": [("id",), ("outage_id", "area_id")],
    "plan_acceptance": [("id",), ("plan_id",)],
    "plan_assignment": [("id",), ("plan_id", "switch_id", "due_on")],
    "redundant_channel": [("id",), ("redundant_group_id", "switch_id")],
    "usage_reading": [("id",), ("switch_id", "name", "read_on")],
    "usage_rule": [("id",), ("switch_id", "name", "effective_on")],
    "working_hours": [("id",), ("person_id", "effective_on")],
}
"""Each new table with its primary key and its other unique keys, for the guard on INSERT."""


def upgrade() -> None:
    op.create_table(
        "holiday",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("name", sa.String(length=300), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_holiday_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_holiday")),
        sa.UniqueConstraint("site_id", "day", name=op.f("uq_holiday_site_id_day")),
    )
    op.create_table(
        "outage",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=60), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=300), nullable=False),
        sa.Column("first_on", sa.Date(), nullable=False),
        sa.Column("last_on", sa.Date(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint("last_on >= first_on", name=op.f("ck_outage_dates_in_order")),
        sa.CheckConstraint("revision > 0", name=op.f("ck_outage_revision_positive")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_outage_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outage")),
        sa.UniqueConstraint(
            "site_id", "code", "revision", name=op.f("uq_outage_site_id_code_revision")
        ),
    )
    op.create_table(
        "plan",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(length=60), nullable=False),
        sa.Column("as_of", sa.Date(), nullable=False),
        sa.Column("first_week_on", sa.Date(), nullable=False),
        sa.Column("weeks", sa.Integer(), nullable=False),
        sa.Column("based_on_id", sa.Integer(), nullable=True),
        sa.Column("settings", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "based_on_id IS NULL OR based_on_id <> id", name=op.f("ck_plan_not_based_on_itself")
        ),
        sa.CheckConstraint("weeks > 0", name=op.f("ck_plan_weeks_positive")),
        sa.ForeignKeyConstraint(["based_on_id"], ["plan.id"], name=op.f("fk_plan_based_on_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_plan_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plan")),
        sa.UniqueConstraint("site_id", "number", name=op.f("uq_plan_site_id_number")),
    )
    op.create_table(
        "redundant_group",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=60), nullable=False),
        sa.Column("weeks_apart", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "weeks_apart >= 1", name=op.f("ck_redundant_group_apart_at_least_a_week")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_redundant_group_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_redundant_group")),
        sa.UniqueConstraint("site_id", "code", name=op.f("uq_redundant_group_site_id_code")),
    )
    op.create_table(
        "deferral",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("switch_id", sa.Integer(), nullable=False),
        sa.Column("due_on", sa.Date(), nullable=False),
        sa.Column("until", sa.Date(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("risk", sa.Text(), nullable=False),
        sa.Column("requested_by_id", sa.Integer(), nullable=False),
        sa.Column("requested_on", sa.Date(), nullable=False),
        sa.Column("approved_by_id", sa.Integer(), nullable=False),
        sa.Column("approved_on", sa.Date(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint("approved_on <= due_on", name=op.f("ck_deferral_approved_in_time")),
        sa.CheckConstraint("approved_on >= requested_on", name=op.f("ck_deferral_requested_first")),
        sa.CheckConstraint(
            "length(reason) > 0 AND length(risk) > 0",
            name=op.f("ck_deferral_reason_and_risk_stated"),
        ),
        sa.CheckConstraint(
            "requested_by_id <> approved_by_id", name=op.f("ck_deferral_approved_by_another_person")
        ),
        sa.CheckConstraint("until > due_on", name=op.f("ck_deferral_puts_something_off")),
        sa.ForeignKeyConstraint(
            ["approved_by_id"], ["person.id"], name=op.f("fk_deferral_approved_by_id")
        ),
        sa.ForeignKeyConstraint(
            ["requested_by_id"], ["person.id"], name=op.f("fk_deferral_requested_by_id")
        ),
        sa.ForeignKeyConstraint(["switch_id"], ["switch.id"], name=op.f("fk_deferral_switch_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deferral")),
        sa.UniqueConstraint(
            "switch_id", "due_on", "until", name=op.f("uq_deferral_switch_id_due_on_until")
        ),
    )
    op.create_table(
        "gauge_absence",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("gauge_id", sa.Integer(), nullable=False),
        sa.Column("first_on", sa.Date(), nullable=False),
        sa.Column("last_on", sa.Date(), nullable=False),
        sa.Column("reason", sa.String(length=300), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint("last_on >= first_on", name=op.f("ck_gauge_absence_dates_in_order")),
        sa.ForeignKeyConstraint(["gauge_id"], ["gauge.id"], name=op.f("fk_gauge_absence_gauge_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge_absence")),
        sa.UniqueConstraint(
            "gauge_id",
            "first_on",
            "last_on",
            name=op.f("uq_gauge_absence_gauge_id_first_on_last_on"),
        ),
    )
    op.create_table(
        "laboratory_terms",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("laboratory_id", sa.Integer(), nullable=False),
        sa.Column("effective_on", sa.Date(), nullable=False),
        sa.Column("transit_days", sa.Integer(), nullable=False),
        sa.Column("turnaround_days", sa.Integer(), nullable=False),
        sa.Column("review_days", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "transit_days >= 0 AND turnaround_days >= 0 AND review_days >= 0",
            name=op.f("ck_laboratory_terms_days_not_negative"),
        ),
        sa.ForeignKeyConstraint(
            ["laboratory_id"], ["laboratory.id"], name=op.f("fk_laboratory_terms_laboratory_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_laboratory_terms")),
        sa.UniqueConstraint(
            "laboratory_id",
            "effective_on",
            name=op.f("uq_laboratory_terms_laboratory_id_effective_on"),
        ),
    )
    op.create_table(
        "outage_area",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("outage_id", sa.Integer(), nullable=False),
        sa.Column("area_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["area_id"], ["area.id"], name=op.f("fk_outage_area_area_id")),
        sa.ForeignKeyConstraint(
            ["outage_id"], ["outage.id"], name=op.f("fk_outage_area_outage_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outage_area")),
        sa.UniqueConstraint("outage_id", "area_id", name=op.f("uq_outage_area_outage_id_area_id")),
    )
    op.create_table(
        "plan_acceptance",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("plan_id", sa.Integer(), nullable=False),
        sa.Column("accepted_on", sa.Date(), nullable=False),
        sa.Column("accepted_by_id", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(
            ["accepted_by_id"], ["person.id"], name=op.f("fk_plan_acceptance_accepted_by_id")
        ),
        sa.ForeignKeyConstraint(["plan_id"], ["plan.id"], name=op.f("fk_plan_acceptance_plan_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plan_acceptance")),
        sa.UniqueConstraint("plan_id", name=op.f("uq_plan_acceptance_plan_id")),
    )
    op.create_table(
        "plan_assignment",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("plan_id", sa.Integer(), nullable=False),
        sa.Column("switch_id", sa.Integer(), nullable=False),
        sa.Column("due_on", sa.Date(), nullable=False),
        sa.Column("week_on", sa.Date(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("gauge_id", sa.Integer(), nullable=True),
        sa.Column("fixed", sa.Boolean(), nullable=False),
        sa.Column("note", sa.String(length=300), nullable=False),
        sa.ForeignKeyConstraint(
            ["gauge_id"], ["gauge.id"], name=op.f("fk_plan_assignment_gauge_id")
        ),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_plan_assignment_person_id")
        ),
        sa.ForeignKeyConstraint(["plan_id"], ["plan.id"], name=op.f("fk_plan_assignment_plan_id")),
        sa.ForeignKeyConstraint(
            ["switch_id"], ["switch.id"], name=op.f("fk_plan_assignment_switch_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plan_assignment")),
        sa.UniqueConstraint(
            "plan_id",
            "switch_id",
            "due_on",
            name=op.f("uq_plan_assignment_plan_id_switch_id_due_on"),
        ),
    )
    op.create_index(
        "ix_plan_assignment_week", "plan_assignment", ["plan_id", "week_on"], unique=False
    )
    op.create_table(
        "redundant_channel",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("redundant_group_id", sa.Integer(), nullable=False),
        sa.Column("switch_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["redundant_group_id"],
            ["redundant_group.id"],
            name=op.f("fk_redundant_channel_redundant_group_id"),
        ),
        sa.ForeignKeyConstraint(
            ["switch_id"], ["switch.id"], name=op.f("fk_redundant_channel_switch_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_redundant_channel")),
        sa.UniqueConstraint(
            "redundant_group_id",
            "switch_id",
            name=op.f("uq_redundant_channel_redundant_group_id_switch_id"),
        ),
    )
    op.create_table(
        "usage_reading",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("switch_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("value", sa.String(length=40), nullable=False),
        sa.Column("value_value", sa.Double(), nullable=False),
        sa.Column("read_on", sa.Date(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint("value_value >= 0", name=op.f("ck_usage_reading_value_not_negative")),
        sa.ForeignKeyConstraint(
            ["switch_id"], ["switch.id"], name=op.f("fk_usage_reading_switch_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_usage_reading")),
        sa.UniqueConstraint(
            "switch_id", "name", "read_on", name=op.f("uq_usage_reading_switch_id_name_read_on")
        ),
    )
    op.create_table(
        "usage_rule",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("switch_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("limit", sa.String(length=40), nullable=False),
        sa.Column("limit_value", sa.Double(), nullable=False),
        sa.Column("effective_on", sa.Date(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint("limit_value > 0", name=op.f("ck_usage_rule_limit_positive")),
        sa.ForeignKeyConstraint(["switch_id"], ["switch.id"], name=op.f("fk_usage_rule_switch_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_usage_rule")),
        sa.UniqueConstraint(
            "switch_id",
            "name",
            "effective_on",
            name=op.f("uq_usage_rule_switch_id_name_effective_on"),
        ),
    )
    op.create_table(
        "working_hours",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("effective_on", sa.Date(), nullable=False),
        sa.Column("minutes_per_week", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "minutes_per_week >= 0 AND minutes_per_week <= 10080",
            name=op.f("ck_working_hours_fits_into_a_week"),
        ),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_working_hours_person_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_working_hours")),
        sa.UniqueConstraint(
            "person_id", "effective_on", name=op.f("uq_working_hours_person_id_effective_on")
        ),
    )
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
