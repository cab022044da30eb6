"""Due rules, gauges in doubt, cross checks, drafts, reviews, attachments, bench sheets.

Revision: 0003
After: 0002
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

KEYS: dict[str, list[tuple[str, ...]]] = {
    "draft": [("id",), ("replaces_id",), ("site_id", "number")],
    "due_rule": [("id",), ("site_id", "scope", "subject", "effective_on")],
    "further_interval": [("id",), ("switch_id", "name", "effective_on")],
    "other_work": [("id",), ("switch_id", "name", "done_on")],
    "bench_sheet": [("id",), ("site_id", "number")],
    "cross_check": [("id",), ("site_id", "number")],
    "gauge_event": [("id",), ("site_id", "number")],
    "attachment": [
        ("id",),
        ("calibration_id", "digest"),
        ("certificate_id", "digest"),
        ("cross_check_id", "digest"),
        ("gauge_event_id", "digest"),
    ],
    "bench_sheet_return": [("id",), ("bench_sheet_id",), ("calibration_id",)],
    "cross_check_point": [("id",)],
    "disposition": [("id",), ("gauge_event_id", "calibration_id", "decision")],
    "draft_signed": [("id",), ("calibration_id",), ("draft_id",)],
    "event_closure": [("id",), ("gauge_event_id",)],
    "event_notice": [("id",), ("gauge_event_id", "told", "told_on")],
    "gauge_event_point": [("id",)],
    "review": [("id",), ("calibration_id", "reading")],
}
"""Each new table with its primary key and its other unique keys, for the guard on INSERT."""


def upgrade() -> None:
    op.create_table(
        "draft",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(length=60), nullable=False),
        sa.Column("switch_id", sa.Integer(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "replaces_id IS NULL OR replaces_id <> id", name=op.f("ck_draft_not_its_own_successor")
        ),
        sa.ForeignKeyConstraint(
            ["replaces_id", "switch_id"],
            ["draft.id", "draft.switch_id"],
            name=op.f("fk_draft_replaces_id_switch_id"),
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_draft_site_id")),
        sa.ForeignKeyConstraint(["switch_id"], ["switch.id"], name=op.f("fk_draft_switch_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_draft")),
        sa.UniqueConstraint("id", "switch_id", name=op.f("uq_draft_id_switch_id")),
        sa.UniqueConstraint("replaces_id", name=op.f("uq_draft_replaces_id")),
        sa.UniqueConstraint("site_id", "number", name=op.f("uq_draft_site_id_number")),
    )
    op.create_table(
        "due_rule",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("scope", sa.String(length=40), nullable=False),
        sa.Column("subject", sa.String(length=60), nullable=False),
        sa.Column("switch_id", sa.Integer(), nullable=True),
        sa.Column("effective_on", sa.Date(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("policy", sa.String(length=60), nullable=False),
        sa.Column("before_use", sa.Boolean(), nullable=True),
        sa.Column("grid_anchor", sa.Date(), nullable=True),
        sa.Column("shelf_limit_days", sa.Integer(), nullable=True),
        sa.Column("hard_stop", sa.Date(), nullable=True),
        sa.Column("deferrals_allowed", sa.Integer(), nullable=True),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "(scope = 'site') = (subject = '')", name=op.f("ck_due_rule_the_site_has_no_subject")
        ),
        sa.CheckConstraint(
            "(scope = 'switch') = (switch_id IS NOT NULL)",
            name=op.f("ck_due_rule_a_switch_is_known"),
        ),
        sa.CheckConstraint(
            "scope IN ('site', 'family', 'switch')", name=op.f("ck_due_rule_scope_known")
        ),
        sa.CheckConstraint(
            "deferrals_allowed IS NULL OR deferrals_allowed >= 0",
            name=op.f("ck_due_rule_deferrals_not_negative"),
        ),
        sa.CheckConstraint("length(reason) > 0", name=op.f("ck_due_rule_reason_stated")),
        sa.CheckConstraint(
            "shelf_limit_days IS NULL OR shelf_limit_days > 0",
            name=op.f("ck_due_rule_shelf_limit_positive"),
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_due_rule_site_id")),
        sa.ForeignKeyConstraint(["switch_id"], ["switch.id"], name=op.f("fk_due_rule_switch_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_due_rule")),
        sa.UniqueConstraint(
            "site_id",
            "scope",
            "subject",
            "effective_on",
            name=op.f("uq_due_rule_site_id_scope_subject_effective_on"),
        ),
    )
    op.create_table(
        "further_interval",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("switch_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("policy", sa.String(length=60), nullable=False),
        sa.Column("effective_on", sa.Date(), nullable=False),
        sa.Column("held", sa.Boolean(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(
            ["switch_id"], ["switch.id"], name=op.f("fk_further_interval_switch_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_further_interval")),
        sa.UniqueConstraint(
            "switch_id",
            "name",
            "effective_on",
            name=op.f("uq_further_interval_switch_id_name_effective_on"),
        ),
    )
    op.create_table(
        "other_work",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("switch_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("done_on", sa.Date(), nullable=False),
        sa.Column("done_by_id", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(
            ["done_by_id"], ["person.id"], name=op.f("fk_other_work_done_by_id")
        ),
        sa.ForeignKeyConstraint(["switch_id"], ["switch.id"], name=op.f("fk_other_work_switch_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_other_work")),
        sa.UniqueConstraint(
            "switch_id", "name", "done_on", name=op.f("uq_other_work_switch_id_name_done_on")
        ),
    )
    op.create_table(
        "bench_sheet",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(length=60), nullable=False),
        sa.Column("switch_id", sa.Integer(), nullable=False),
        sa.Column("switch_revision_id", sa.Integer(), nullable=False),
        sa.Column("procedure_revision_id", sa.Integer(), nullable=False),
        sa.Column("for_on", sa.Date(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(
            ["procedure_revision_id"],
            ["procedure_revision.id"],
            name=op.f("fk_bench_sheet_procedure_revision_id"),
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_bench_sheet_site_id")),
        sa.ForeignKeyConstraint(
            ["switch_revision_id", "switch_id"],
            ["switch_revision.id", "switch_revision.switch_id"],
            name=op.f("fk_bench_sheet_switch_revision_id_switch_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bench_sheet")),
        sa.UniqueConstraint("site_id", "number", name=op.f("uq_bench_sheet_site_id_number")),
    )
    op.create_table(
        "cross_check",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(length=60), nullable=False),
        sa.Column("gauge_id", sa.Integer(), nullable=False),
        sa.Column("certificate_id", sa.Integer(), nullable=False),
        sa.Column("against_id", sa.Integer(), nullable=False),
        sa.Column("against_certificate_id", sa.Integer(), nullable=False),
        sa.Column("done_on", sa.Date(), nullable=False),
        sa.Column("done_by_id", sa.Integer(), nullable=False),
        sa.Column("unit", sa.String(length=20), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint("gauge_id <> against_id", name=op.f("ck_cross_check_two_gauges")),
        sa.ForeignKeyConstraint(
            ["against_certificate_id", "against_id"],
            ["certificate.id", "certificate.gauge_id"],
            name=op.f("fk_cross_check_against_certificate_id_against_id"),
        ),
        sa.ForeignKeyConstraint(
            ["certificate_id", "gauge_id"],
            ["certificate.id", "certificate.gauge_id"],
            name=op.f("fk_cross_check_certificate_id_gauge_id"),
        ),
        sa.ForeignKeyConstraint(
            ["done_by_id"], ["person.id"], name=op.f("fk_cross_check_done_by_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_cross_check_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cross_check")),
        sa.UniqueConstraint("site_id", "number", name=op.f("uq_cross_check_site_id_number")),
    )
    op.create_table(
        "gauge_event",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(length=60), nullable=False),
        sa.Column("gauge_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("found_on", sa.Date(), nullable=False),
        sa.Column("reported_by_id", sa.Integer(), nullable=False),
        sa.Column("certificate_id", sa.Integer(), nullable=True),
        sa.Column("unit", sa.String(length=20), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "kind <> 'certificate withdrawn' OR certificate_id IS NOT NULL",
            name=op.f("ck_gauge_event_the_withdrawn_certificate_is_named"),
        ),
        sa.CheckConstraint(
            "kind IN ('as-found errors', 'lost', 'damaged', 'certificate withdrawn')",
            name=op.f("ck_gauge_event_kind_known"),
        ),
        sa.ForeignKeyConstraint(
            ["certificate_id", "gauge_id"],
            ["certificate.id", "certificate.gauge_id"],
            name=op.f("fk_gauge_event_certificate_id_gauge_id"),
        ),
        sa.ForeignKeyConstraint(["gauge_id"], ["gauge.id"], name=op.f("fk_gauge_event_gauge_id")),
        sa.ForeignKeyConstraint(
            ["reported_by_id"], ["person.id"], name=op.f("fk_gauge_event_reported_by_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_gauge_event_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge_event")),
        sa.UniqueConstraint("site_id", "number", name=op.f("uq_gauge_event_site_id_number")),
    )
    op.create_table(
        "attachment",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("size", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("media_type", sa.String(length=60), nullable=False),
        sa.Column("name", sa.String(length=300), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("certificate_id", sa.Integer(), nullable=True),
        sa.Column("calibration_id", sa.Integer(), nullable=True),
        sa.Column("gauge_event_id", sa.Integer(), nullable=True),
        sa.Column("cross_check_id", sa.Integer(), nullable=True),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "(certificate_id IS NOT NULL AND calibration_id IS NULL AND gauge_event_id IS NULL AND cross_check_id IS NULL) OR (certificate_id IS NULL AND calibration_id IS NOT NULL AND gauge_event_id IS NULL AND cross_check_id IS NULL) OR (certificate_id IS NULL AND calibration_id IS NULL AND gauge_event_id IS NOT NULL AND cross_check_id IS NULL) OR (certificate_id IS NULL AND calibration_id IS NULL AND gauge_event_id IS NULL AND cross_check_id IS NOT NULL)",
            name=op.f("ck_attachment_bound_to_one_record"),
        ),
        sa.CheckConstraint("size > 0", name=op.f("ck_attachment_not_empty")),
        sa.ForeignKeyConstraint(
            ["calibration_id"], ["calibration.id"], name=op.f("fk_attachment_calibration_id")
        ),
        sa.ForeignKeyConstraint(
            ["certificate_id"], ["certificate.id"], name=op.f("fk_attachment_certificate_id")
        ),
        sa.ForeignKeyConstraint(
            ["cross_check_id"], ["cross_check.id"], name=op.f("fk_attachment_cross_check_id")
        ),
        sa.ForeignKeyConstraint(
            ["gauge_event_id"], ["gauge_event.id"], name=op.f("fk_attachment_gauge_event_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_attachment_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_attachment")),
        sa.UniqueConstraint(
            "calibration_id", "digest", name=op.f("uq_attachment_calibration_id_digest")
        ),
        sa.UniqueConstraint(
            "certificate_id", "digest", name=op.f("uq_attachment_certificate_id_digest")
        ),
        sa.UniqueConstraint(
            "cross_check_id", "digest", name=op.f("uq_attachment_cross_check_id_digest")
        ),
        sa.UniqueConstraint(
            "gauge_event_id", "digest", name=op.f("uq_attachment_gauge_event_id_digest")
        ),
    )
    op.create_table(
        "bench_sheet_return",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("bench_sheet_id", sa.Integer(), nullable=False),
        sa.Column("calibration_id", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(
            ["bench_sheet_id"],
            ["bench_sheet.id"],
            name=op.f("fk_bench_sheet_return_bench_sheet_id"),
        ),
        sa.ForeignKeyConstraint(
            ["calibration_id"],
            ["calibration.id"],
            name=op.f("fk_bench_sheet_return_calibration_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bench_sheet_return")),
        sa.UniqueConstraint("bench_sheet_id", name=op.f("uq_bench_sheet_return_bench_sheet_id")),
        sa.UniqueConstraint("calibration_id", name=op.f("uq_bench_sheet_return_calibration_id")),
    )
    op.create_table(
        "cross_check_point",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("cross_check_id", sa.Integer(), nullable=False),
        sa.Column("indication", sa.String(length=40), nullable=False),
        sa.Column("indication_value", sa.Double(), nullable=False),
        sa.Column("reference", sa.String(length=40), nullable=False),
        sa.Column("reference_value", sa.Double(), nullable=False),
        sa.Column("gauge_uncertainty", sa.String(length=40), nullable=False),
        sa.Column("gauge_uncertainty_value", sa.Double(), nullable=False),
        sa.Column("reference_uncertainty", sa.String(length=40), nullable=False),
        sa.Column("reference_uncertainty_value", sa.Double(), nullable=False),
        sa.CheckConstraint(
            "gauge_uncertainty_value >= 0 AND reference_uncertainty_value >= 0",
            name=op.f("ck_cross_check_point_uncertainties_not_negative"),
        ),
        sa.ForeignKeyConstraint(
            ["cross_check_id"], ["cross_check.id"], name=op.f("fk_cross_check_point_cross_check_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cross_check_point")),
    )
    op.create_index(
        op.f("ix_cross_check_point_cross_check_id"),
        "cross_check_point",
        ["cross_check_id"],
        unique=False,
    )
    op.create_table(
        "disposition",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("gauge_event_id", sa.Integer(), nullable=False),
        sa.Column("calibration_id", sa.Integer(), nullable=False),
        sa.Column("decision", sa.Integer(), nullable=False),
        sa.Column("action", sa.String(length=40), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("decided_by_id", sa.Integer(), nullable=False),
        sa.Column("decided_on", sa.Date(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "action IN ('recall', 'assess', 'none')", name=op.f("ck_disposition_action_known")
        ),
        sa.CheckConstraint("decision > 0", name=op.f("ck_disposition_decision_from_one")),
        sa.CheckConstraint("length(reason) > 0", name=op.f("ck_disposition_reason_stated")),
        sa.ForeignKeyConstraint(
            ["calibration_id"], ["calibration.id"], name=op.f("fk_disposition_calibration_id")
        ),
        sa.ForeignKeyConstraint(
            ["decided_by_id"], ["person.id"], name=op.f("fk_disposition_decided_by_id")
        ),
        sa.ForeignKeyConstraint(
            ["gauge_event_id"], ["gauge_event.id"], name=op.f("fk_disposition_gauge_event_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_disposition")),
        sa.UniqueConstraint(
            "gauge_event_id",
            "calibration_id",
            "decision",
            name=op.f("uq_disposition_gauge_event_id_calibration_id_decision"),
        ),
    )
    op.create_table(
        "draft_signed",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("draft_id", sa.Integer(), nullable=False),
        sa.Column("calibration_id", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(
            ["calibration_id"], ["calibration.id"], name=op.f("fk_draft_signed_calibration_id")
        ),
        sa.ForeignKeyConstraint(["draft_id"], ["draft.id"], name=op.f("fk_draft_signed_draft_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_draft_signed")),
        sa.UniqueConstraint("calibration_id", name=op.f("uq_draft_signed_calibration_id")),
        sa.UniqueConstraint("draft_id", name=op.f("uq_draft_signed_draft_id")),
    )
    op.create_table(
        "event_closure",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("gauge_event_id", sa.Integer(), nullable=False),
        sa.Column("closed_by_id", sa.Integer(), nullable=False),
        sa.Column("closed_on", sa.Date(), nullable=False),
        sa.Column("statement", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint("length(statement) > 0", name=op.f("ck_event_closure_statement_made")),
        sa.ForeignKeyConstraint(
            ["closed_by_id"], ["person.id"], name=op.f("fk_event_closure_closed_by_id")
        ),
        sa.ForeignKeyConstraint(
            ["gauge_event_id"], ["gauge_event.id"], name=op.f("fk_event_closure_gauge_event_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_event_closure")),
        sa.UniqueConstraint("gauge_event_id", name=op.f("uq_event_closure_gauge_event_id")),
    )
    op.create_table(
        "event_notice",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("gauge_event_id", sa.Integer(), nullable=False),
        sa.Column("told", sa.String(length=300), nullable=False),
        sa.Column("told_on", sa.Date(), nullable=False),
        sa.Column("told_by_id", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint("length(told) > 0", name=op.f("ck_event_notice_somebody_was_told")),
        sa.ForeignKeyConstraint(
            ["gauge_event_id"], ["gauge_event.id"], name=op.f("fk_event_notice_gauge_event_id")
        ),
        sa.ForeignKeyConstraint(
            ["told_by_id"], ["person.id"], name=op.f("fk_event_notice_told_by_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_event_notice")),
        sa.UniqueConstraint(
            "gauge_event_id",
            "told",
            "told_on",
            name=op.f("uq_event_notice_gauge_event_id_told_told_on"),
        ),
    )
    op.create_table(
        "gauge_event_point",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("gauge_event_id", sa.Integer(), nullable=False),
        sa.Column("indication", sa.String(length=40), nullable=False),
        sa.Column("indication_value", sa.Double(), nullable=False),
        sa.Column("error", sa.String(length=40), nullable=False),
        sa.Column("error_value", sa.Double(), nullable=False),
        sa.Column("direction", sa.String(length=40), nullable=True),
        sa.CheckConstraint(
            "direction IS NULL OR direction IN ('rising', 'falling')",
            name=op.f("ck_gauge_event_point_direction_known"),
        ),
        sa.ForeignKeyConstraint(
            ["gauge_event_id"], ["gauge_event.id"], name=op.f("fk_gauge_event_point_gauge_event_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge_event_point")),
    )
    op.create_index(
        op.f("ix_gauge_event_point_gauge_event_id"),
        "gauge_event_point",
        ["gauge_event_id"],
        unique=False,
    )
    op.create_table(
        "review",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("calibration_id", sa.Integer(), nullable=False),
        sa.Column("reading", sa.Integer(), nullable=False),
        sa.Column("outcome", sa.String(length=40), nullable=False),
        sa.Column("reviewed_by_id", sa.Integer(), nullable=False),
        sa.Column("reviewed_on", sa.Date(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "outcome = 'accepted' OR length(reason) > 0",
            name=op.f("ck_review_a_return_has_a_reason"),
        ),
        sa.CheckConstraint(
            "outcome IN ('accepted', 'returned')", name=op.f("ck_review_outcome_known")
        ),
        sa.CheckConstraint("reading > 0", name=op.f("ck_review_reading_from_one")),
        sa.ForeignKeyConstraint(
            ["calibration_id"], ["calibration.id"], name=op.f("fk_review_calibration_id")
        ),
        sa.ForeignKeyConstraint(
            ["reviewed_by_id"], ["person.id"], name=op.f("fk_review_reviewed_by_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_review")),
        sa.UniqueConstraint(
            "calibration_id", "reading", name=op.f("uq_review_calibration_id_reading")
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
