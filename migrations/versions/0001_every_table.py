"""Every table, and the guards that make each append-only.

Revision: 0001
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

KEYS: dict[str, list[tuple[str, ...]]] = {
    "audit_entry": [("position",), ("digest",), ("previous",)],
    "site": [("id",), ("code",)],
    "area": [("id",), ("site_id", "code")],
    "gauge": [("id",), ("site_id", "code")],
    "interval_policy": [("id",), ("site_id", "code", "effective_on")],
    "laboratory": [("id",), ("site_id", "code")],
    "person": [("id",), ("site_id", "code")],
    "procedure": [("id",), ("site_id", "code")],
    "switch": [("id",), ("site_id", "tag")],
    "accreditation": [("id",), ("laboratory_id", "number", "valid_from")],
    "certificate": [("id",), ("replaces_id",), ("site_id", "number")],
    "gauge_revision": [("id",), ("gauge_id", "revision")],
    "person_role": [("id",), ("person_id", "role", "effective_on")],
    "procedure_revision": [("id",), ("procedure_id", "effective_on"), ("procedure_id", "revision")],
    "qualification": [("id",), ("person_id", "quantity", "granted_on")],
    "switch_revision": [("id",), ("switch_id", "revision")],
    "calibration": [("id",), ("replaces_id",), ("site_id", "number")],
    "certificate_point": [("id",), ("certificate_id", "position")],
    "certificate_standard": [("id",), ("certificate_id", "position")],
    "certificate_withdrawal": [("id",), ("certificate_id",)],
    "procedure_hazard": [("id",), ("procedure_revision_id", "hazard")],
    "procedure_scope": [("id",), ("procedure_revision_id", "quantity")],
    "procedure_step": [("id",), ("procedure_revision_id", "position")],
    "set_point": [("id",), ("switch_revision_id", "label")],
    "switch_hazard": [("id",), ("switch_revision_id", "hazard")],
    "calibration_cycle": [("id",), ("calibration_id", "set_point_id", "phase", "run")],
    "calibration_finding": [("id",)],
    "calibration_gauge": [("id",), ("calibration_id", "role")],
    "calibration_result": [("id",), ("calibration_id", "set_point_id", "phase")],
}
"""Each table with its primary key and its other unique keys, for the guard on INSERT."""


def upgrade() -> None:
    op.create_table(
        "audit_entry",
        sa.Column(
            "position",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("at", sa.String(length=27), nullable=False),
        sa.Column("actor", sa.String(length=60), nullable=False),
        sa.Column("action", sa.String(length=40), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("previous", sa.String(length=64), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.CheckConstraint(
            "length(previous) = 64 AND length(digest) = 64",
            name=op.f("ck_audit_entry_digest_length"),
        ),
        sa.CheckConstraint("position >= 1", name=op.f("ck_audit_entry_position_from_one")),
        sa.PrimaryKeyConstraint("position", name=op.f("pk_audit_entry")),
        sa.UniqueConstraint("digest", name=op.f("uq_audit_entry_digest")),
        sa.UniqueConstraint("previous", name=op.f("uq_audit_entry_previous")),
    )
    op.create_table(
        "site",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("code", sa.String(length=60), nullable=False),
        sa.Column("name", sa.String(length=300), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site")),
        sa.UniqueConstraint("code", name=op.f("uq_site_code")),
    )
    op.create_table(
        "area",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=60), nullable=False),
        sa.Column("name", sa.String(length=300), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_area_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_area")),
        sa.UniqueConstraint("site_id", "code", name=op.f("uq_area_site_id_code")),
    )
    op.create_table(
        "gauge",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=60), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_gauge_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge")),
        sa.UniqueConstraint("site_id", "code", name=op.f("uq_gauge_site_id_code")),
    )
    op.create_table(
        "interval_policy",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=60), nullable=False),
        sa.Column("effective_on", sa.Date(), nullable=False),
        sa.Column("basis", sa.String(length=40), nullable=False),
        sa.Column("every", sa.Integer(), nullable=False),
        sa.Column("unit", sa.String(length=40), nullable=False),
        sa.Column("end_of_month", sa.Boolean(), nullable=False),
        sa.Column("grace_fraction", sa.String(length=40), nullable=False),
        sa.Column("grace_fraction_value", sa.Double(), nullable=False),
        sa.Column("grace_days", sa.Integer(), nullable=False),
        sa.Column("note", sa.String(length=300), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "basis IN ('last done', 'fixed grid')", name=op.f("ck_interval_policy_basis_known")
        ),
        sa.CheckConstraint("unit IN ('month', 'day')", name=op.f("ck_interval_policy_unit_known")),
        sa.CheckConstraint("every > 0", name=op.f("ck_interval_policy_interval_positive")),
        sa.CheckConstraint(
            "grace_days = 0 OR grace_fraction_value = 0",
            name=op.f("ck_interval_policy_one_kind_of_grace"),
        ),
        sa.CheckConstraint(
            "grace_days >= 0", name=op.f("ck_interval_policy_grace_days_not_negative")
        ),
        sa.CheckConstraint(
            "grace_fraction_value >= 0 AND grace_fraction_value <= 1",
            name=op.f("ck_interval_policy_grace_is_a_fraction"),
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_interval_policy_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_interval_policy")),
        sa.UniqueConstraint(
            "site_id",
            "code",
            "effective_on",
            name=op.f("uq_interval_policy_site_id_code_effective_on"),
        ),
    )
    op.create_table(
        "laboratory",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=60), nullable=False),
        sa.Column("name", sa.String(length=300), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "kind IN ('national', 'accredited', 'in-house')", name=op.f("ck_laboratory_kind_known")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_laboratory_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_laboratory")),
        sa.UniqueConstraint("site_id", "code", name=op.f("uq_laboratory_site_id_code")),
    )
    op.create_table(
        "person",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=60), nullable=False),
        sa.Column("name", sa.String(length=300), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_person_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person")),
        sa.UniqueConstraint("site_id", "code", name=op.f("uq_person_site_id_code")),
    )
    op.create_table(
        "procedure",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=60), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_procedure_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_procedure")),
        sa.UniqueConstraint("site_id", "code", name=op.f("uq_procedure_site_id_code")),
    )
    op.create_table(
        "switch",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("tag", sa.String(length=60), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_switch_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_switch")),
        sa.UniqueConstraint("site_id", "tag", name=op.f("uq_switch_site_id_tag")),
    )
    op.create_table(
        "accreditation",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("laboratory_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(length=60), nullable=False),
        sa.Column("valid_from", sa.Date(), nullable=False),
        sa.Column("valid_until", sa.Date(), nullable=False),
        sa.Column("scope", sa.String(length=300), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "valid_until >= valid_from", name=op.f("ck_accreditation_dates_in_order")
        ),
        sa.ForeignKeyConstraint(
            ["laboratory_id"], ["laboratory.id"], name=op.f("fk_accreditation_laboratory_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_accreditation")),
        sa.UniqueConstraint(
            "laboratory_id",
            "number",
            "valid_from",
            name=op.f("uq_accreditation_laboratory_id_number_valid_from"),
        ),
    )
    op.create_index(
        op.f("ix_accreditation_laboratory_id"), "accreditation", ["laboratory_id"], unique=False
    )
    op.create_table(
        "certificate",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(length=60), nullable=False),
        sa.Column("gauge_id", sa.Integer(), nullable=False),
        sa.Column("laboratory_id", sa.Integer(), nullable=False),
        sa.Column("calibrated_on", sa.Date(), nullable=False),
        sa.Column("issued_on", sa.Date(), nullable=False),
        sa.Column("unit", sa.String(length=20), nullable=False),
        sa.Column("temperature_c", sa.String(length=40), nullable=False),
        sa.Column("humidity", sa.String(length=40), nullable=False),
        sa.Column("adjusted", sa.Boolean(), nullable=False),
        sa.Column("remarks", sa.Text(), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("replacement_reason", sa.Text(), nullable=True),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "(replaces_id IS NULL) = (replacement_reason IS NULL)",
            name=op.f("ck_certificate_correction_has_a_reason"),
        ),
        sa.CheckConstraint(
            "issued_on >= calibrated_on", name=op.f("ck_certificate_issued_after_calibration")
        ),
        sa.CheckConstraint(
            "replaces_id IS NULL OR replaces_id <> id",
            name=op.f("ck_certificate_not_its_own_correction"),
        ),
        sa.ForeignKeyConstraint(["gauge_id"], ["gauge.id"], name=op.f("fk_certificate_gauge_id")),
        sa.ForeignKeyConstraint(
            ["laboratory_id"], ["laboratory.id"], name=op.f("fk_certificate_laboratory_id")
        ),
        sa.ForeignKeyConstraint(
            ["replaces_id", "gauge_id"],
            ["certificate.id", "certificate.gauge_id"],
            name=op.f("fk_certificate_replaces_id_gauge_id"),
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_certificate_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_certificate")),
        sa.UniqueConstraint("id", "gauge_id", name=op.f("uq_certificate_id_gauge_id")),
        sa.UniqueConstraint("replaces_id", name=op.f("uq_certificate_replaces_id")),
        sa.UniqueConstraint("site_id", "number", name=op.f("uq_certificate_site_id_number")),
    )
    op.create_index(
        "ix_certificate_gauge_day", "certificate", ["gauge_id", "calibrated_on"], unique=False
    )
    op.create_table(
        "gauge_revision",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("gauge_id", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("effective_on", sa.Date(), nullable=False),
        sa.Column("reason", sa.String(length=300), nullable=False),
        sa.Column("serial", sa.String(length=60), nullable=False),
        sa.Column("description", sa.String(length=300), nullable=False),
        sa.Column("status", sa.String(length=40), nullable=False),
        sa.Column("mode", sa.String(length=40), nullable=True),
        sa.Column("unit", sa.String(length=20), nullable=False),
        sa.Column("range_low", sa.String(length=40), nullable=False),
        sa.Column("range_high", sa.String(length=40), nullable=False),
        sa.Column("range_low_value", sa.Double(), nullable=False),
        sa.Column("range_high_value", sa.Double(), nullable=False),
        sa.Column("resolution", sa.String(length=40), nullable=False),
        sa.Column("resolution_value", sa.Double(), nullable=False),
        sa.Column("accuracy", sa.String(length=40), nullable=False),
        sa.Column("accuracy_value", sa.Double(), nullable=False),
        sa.Column("accuracy_basis", sa.String(length=40), nullable=False),
        sa.Column("drift_per_year", sa.String(length=40), nullable=False),
        sa.Column("temperature_coefficient", sa.String(length=40), nullable=False),
        sa.Column("reference_temperature_c", sa.String(length=40), nullable=False),
        sa.Column("use_corrections", sa.Boolean(), nullable=False),
        sa.Column("tier", sa.Integer(), nullable=False),
        sa.Column("policy", sa.String(length=60), nullable=False),
        sa.Column("oxygen_clean", sa.Boolean(), nullable=False),
        sa.Column("same_gauge_correlation", sa.String(length=40), nullable=False),
        sa.Column("static_limit", sa.String(length=40), nullable=True),
        sa.Column("readable_fraction", sa.String(length=40), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "accuracy_basis IN ('absolute', '% of span', '% of reading')",
            name=op.f("ck_gauge_revision_accuracy_basis_known"),
        ),
        sa.CheckConstraint(
            "mode IN ('gauge', 'differential', 'absolute', 'vacuum')",
            name=op.f("ck_gauge_revision_mode_known"),
        ),
        sa.CheckConstraint(
            "status IN ('in service', 'at laboratory', 'withdrawn', 'lost')",
            name=op.f("ck_gauge_revision_status_known"),
        ),
        sa.CheckConstraint(
            "accuracy_value >= 0", name=op.f("ck_gauge_revision_accuracy_not_negative")
        ),
        sa.CheckConstraint(
            "range_low_value < range_high_value", name=op.f("ck_gauge_revision_range_not_empty")
        ),
        sa.CheckConstraint(
            "resolution_value > 0", name=op.f("ck_gauge_revision_resolution_positive")
        ),
        sa.CheckConstraint("revision > 0", name=op.f("ck_gauge_revision_revision_positive")),
        sa.CheckConstraint("tier >= 1", name=op.f("ck_gauge_revision_tier_from_one")),
        sa.ForeignKeyConstraint(
            ["gauge_id"], ["gauge.id"], name=op.f("fk_gauge_revision_gauge_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge_revision")),
        sa.UniqueConstraint(
            "gauge_id", "revision", name=op.f("uq_gauge_revision_gauge_id_revision")
        ),
        sa.UniqueConstraint("id", "gauge_id", name=op.f("uq_gauge_revision_id_gauge_id")),
    )
    op.create_index(
        "ix_gauge_revision_in_force",
        "gauge_revision",
        ["gauge_id", "effective_on", "revision"],
        unique=False,
    )
    op.create_table(
        "person_role",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(length=40), nullable=False),
        sa.Column("effective_on", sa.Date(), nullable=False),
        sa.Column("held", sa.Boolean(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "role IN ('planner', 'technician', 'reviewer', 'approver', 'auditor')",
            name=op.f("ck_person_role_role_known"),
        ),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_person_role_person_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person_role")),
        sa.UniqueConstraint(
            "person_id",
            "role",
            "effective_on",
            name=op.f("uq_person_role_person_id_role_effective_on"),
        ),
    )
    op.create_index(op.f("ix_person_role_person_id"), "person_role", ["person_id"], unique=False)
    op.create_table(
        "procedure_revision",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("procedure_id", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("title", sa.String(length=300), nullable=False),
        sa.Column("approved_on", sa.Date(), nullable=False),
        sa.Column("approved_by", sa.String(length=60), nullable=False),
        sa.Column("effective_on", sa.Date(), nullable=False),
        sa.Column("exercise_cycles", sa.Integer(), nullable=False),
        sa.Column("as_found_runs", sa.Integer(), nullable=False),
        sa.Column("as_left_runs", sa.Integer(), nullable=False),
        sa.Column("ramp_limit_fraction_per_s", sa.String(length=40), nullable=False),
        sa.Column("temperature_min_c", sa.String(length=40), nullable=False),
        sa.Column("temperature_max_c", sa.String(length=40), nullable=False),
        sa.Column("humidity_max", sa.String(length=40), nullable=False),
        sa.Column("required_tur", sa.String(length=40), nullable=False),
        sa.Column("decision_rule", sa.String(length=40), nullable=False),
        sa.Column("guard_factor", sa.String(length=40), nullable=False),
        sa.Column("coverage_probability", sa.String(length=40), nullable=False),
        sa.Column("coverage_probability_value", sa.Double(), nullable=False),
        sa.Column("conformance_probability", sa.String(length=40), nullable=True),
        sa.Column("reading_lag_s", sa.String(length=40), nullable=False),
        sa.Column("static_hold_fraction", sa.String(length=40), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "decision_rule IN ('simple acceptance', 'guarded acceptance', 'non-binary', 'managed risk', 'conformance probability')",
            name=op.f("ck_procedure_revision_decision_rule_known"),
        ),
        sa.CheckConstraint(
            "coverage_probability_value > 0 AND coverage_probability_value < 1",
            name=op.f("ck_procedure_revision_coverage_is_a_fraction"),
        ),
        sa.CheckConstraint(
            "effective_on >= approved_on", name=op.f("ck_procedure_revision_approved_before_use")
        ),
        sa.CheckConstraint(
            "exercise_cycles >= 0 AND as_found_runs >= 1 AND as_left_runs >= 1",
            name=op.f("ck_procedure_revision_counts_sensible"),
        ),
        sa.CheckConstraint("revision > 0", name=op.f("ck_procedure_revision_revision_positive")),
        sa.ForeignKeyConstraint(
            ["procedure_id"], ["procedure.id"], name=op.f("fk_procedure_revision_procedure_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_procedure_revision")),
        sa.UniqueConstraint(
            "procedure_id",
            "effective_on",
            name=op.f("uq_procedure_revision_procedure_id_effective_on"),
        ),
        sa.UniqueConstraint(
            "procedure_id", "revision", name=op.f("uq_procedure_revision_procedure_id_revision")
        ),
    )
    op.create_table(
        "qualification",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.String(length=40), nullable=False),
        sa.Column("granted_on", sa.Date(), nullable=False),
        sa.Column("expires_on", sa.Date(), nullable=False),
        sa.Column("granted_by", sa.String(length=60), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "quantity IN ('pressure', 'differential pressure', 'vacuum', 'absolute pressure', 'temperature')",
            name=op.f("ck_qualification_quantity_known"),
        ),
        sa.CheckConstraint(
            "expires_on >= granted_on", name=op.f("ck_qualification_dates_in_order")
        ),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_qualification_person_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_qualification")),
        sa.UniqueConstraint(
            "person_id",
            "quantity",
            "granted_on",
            name=op.f("uq_qualification_person_id_quantity_granted_on"),
        ),
    )
    op.create_index(
        op.f("ix_qualification_person_id"), "qualification", ["person_id"], unique=False
    )
    op.create_table(
        "switch_revision",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("switch_id", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("effective_on", sa.Date(), nullable=False),
        sa.Column("reason", sa.String(length=300), nullable=False),
        sa.Column("serial", sa.String(length=60), nullable=False),
        sa.Column("area_id", sa.Integer(), nullable=False),
        sa.Column("service", sa.String(length=300), nullable=False),
        sa.Column("family", sa.String(length=60), nullable=False),
        sa.Column("quantity", sa.String(length=40), nullable=False),
        sa.Column("unit", sa.String(length=20), nullable=False),
        sa.Column("range_low", sa.String(length=40), nullable=False),
        sa.Column("range_high", sa.String(length=40), nullable=False),
        sa.Column("range_low_value", sa.Double(), nullable=False),
        sa.Column("range_high_value", sa.Double(), nullable=False),
        sa.Column("line_unit", sa.String(length=20), nullable=True),
        sa.Column("proof_pressure", sa.String(length=40), nullable=True),
        sa.Column("static_nominal", sa.String(length=40), nullable=False),
        sa.Column("medium", sa.String(length=300), nullable=False),
        sa.Column("criticality", sa.String(length=40), nullable=False),
        sa.Column("outage_bound", sa.Boolean(), nullable=False),
        sa.Column("status", sa.String(length=40), nullable=False),
        sa.Column("policy", sa.String(length=60), nullable=False),
        sa.Column("procedure_id", sa.Integer(), nullable=False),
        sa.Column("bench_minutes", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "criticality IN ('safety', 'environment', 'production', 'general')",
            name=op.f("ck_switch_revision_criticality_known"),
        ),
        sa.CheckConstraint(
            "quantity = 'temperature' OR line_unit IS NOT NULL",
            name=op.f("ck_switch_revision_pressure_has_line_unit"),
        ),
        sa.CheckConstraint(
            "quantity IN ('pressure', 'differential pressure', 'vacuum', 'absolute pressure', 'temperature')",
            name=op.f("ck_switch_revision_quantity_known"),
        ),
        sa.CheckConstraint(
            "status IN ('in service', 'in store', 'out of service', 'scrapped')",
            name=op.f("ck_switch_revision_status_known"),
        ),
        sa.CheckConstraint(
            "bench_minutes > 0", name=op.f("ck_switch_revision_bench_minutes_positive")
        ),
        sa.CheckConstraint(
            "range_low_value < range_high_value", name=op.f("ck_switch_revision_range_not_empty")
        ),
        sa.CheckConstraint("revision > 0", name=op.f("ck_switch_revision_revision_positive")),
        sa.ForeignKeyConstraint(["area_id"], ["area.id"], name=op.f("fk_switch_revision_area_id")),
        sa.ForeignKeyConstraint(
            ["procedure_id"], ["procedure.id"], name=op.f("fk_switch_revision_procedure_id")
        ),
        sa.ForeignKeyConstraint(
            ["switch_id"], ["switch.id"], name=op.f("fk_switch_revision_switch_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_switch_revision")),
        sa.UniqueConstraint("id", "switch_id", name=op.f("uq_switch_revision_id_switch_id")),
        sa.UniqueConstraint(
            "switch_id", "revision", name=op.f("uq_switch_revision_switch_id_revision")
        ),
    )
    op.create_index(
        "ix_switch_revision_in_force",
        "switch_revision",
        ["switch_id", "effective_on", "revision"],
        unique=False,
    )
    op.create_table(
        "calibration",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(length=60), nullable=False),
        sa.Column("switch_id", sa.Integer(), nullable=False),
        sa.Column("switch_revision_id", sa.Integer(), nullable=False),
        sa.Column("procedure_revision_id", sa.Integer(), nullable=False),
        sa.Column("performed_on", sa.Date(), nullable=False),
        sa.Column("performed_by_id", sa.Integer(), nullable=False),
        sa.Column("temperature_c", sa.String(length=40), nullable=False),
        sa.Column("humidity", sa.String(length=40), nullable=False),
        sa.Column("barometric", sa.String(length=40), nullable=True),
        sa.Column("barometric_unit", sa.String(length=20), nullable=True),
        sa.Column("head_height_m", sa.String(length=40), nullable=True),
        sa.Column("head_height_half_width_m", sa.String(length=40), nullable=True),
        sa.Column("head_density_kg_m3", sa.String(length=40), nullable=True),
        sa.Column("exercised_before_as_found", sa.Boolean(), nullable=False),
        sa.Column("exercise_cycles", sa.Integer(), nullable=False),
        sa.Column("adjusted", sa.Boolean(), nullable=False),
        sa.Column("adjustment_note", sa.Text(), nullable=False),
        sa.Column("contact_check", sa.Text(), nullable=False),
        sa.Column("seal", sa.String(length=60), nullable=False),
        sa.Column("permit", sa.String(length=60), nullable=False),
        sa.Column("bypass", sa.Text(), nullable=False),
        sa.Column("returned_by_id", sa.Integer(), nullable=True),
        sa.Column("verified_by_id", sa.Integer(), nullable=True),
        sa.Column("work_order", sa.String(length=60), nullable=False),
        sa.Column("remarks", sa.Text(), nullable=False),
        sa.Column("origin", sa.String(length=40), nullable=False),
        sa.Column("evaluation_version", sa.String(length=40), nullable=False),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("replacement_reason", sa.Text(), nullable=True),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.CheckConstraint(
            "origin IN ('bench', 'history')", name=op.f("ck_calibration_origin_known")
        ),
        sa.CheckConstraint(
            "(barometric IS NULL) = (barometric_unit IS NULL)",
            name=op.f("ck_calibration_barometric_has_a_unit"),
        ),
        sa.CheckConstraint(
            "(head_height_m IS NULL) = (head_density_kg_m3 IS NULL)",
            name=op.f("ck_calibration_head_has_a_fluid"),
        ),
        sa.CheckConstraint(
            "(replaces_id IS NULL) = (replacement_reason IS NULL)",
            name=op.f("ck_calibration_correction_has_a_reason"),
        ),
        sa.CheckConstraint(
            "exercise_cycles >= 0", name=op.f("ck_calibration_exercise_cycles_not_negative")
        ),
        sa.CheckConstraint(
            "replaces_id IS NULL OR replaces_id <> id",
            name=op.f("ck_calibration_not_its_own_correction"),
        ),
        sa.CheckConstraint(
            "verified_by_id IS NULL OR verified_by_id <> performed_by_id",
            name=op.f("ck_calibration_verified_by_another_person"),
        ),
        sa.ForeignKeyConstraint(
            ["performed_by_id"], ["person.id"], name=op.f("fk_calibration_performed_by_id")
        ),
        sa.ForeignKeyConstraint(
            ["procedure_revision_id"],
            ["procedure_revision.id"],
            name=op.f("fk_calibration_procedure_revision_id"),
        ),
        sa.ForeignKeyConstraint(
            ["replaces_id", "switch_id"],
            ["calibration.id", "calibration.switch_id"],
            name=op.f("fk_calibration_replaces_id_switch_id"),
        ),
        sa.ForeignKeyConstraint(
            ["returned_by_id"], ["person.id"], name=op.f("fk_calibration_returned_by_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_calibration_site_id")),
        sa.ForeignKeyConstraint(
            ["switch_id"], ["switch.id"], name=op.f("fk_calibration_switch_id")
        ),
        sa.ForeignKeyConstraint(
            ["switch_revision_id", "switch_id"],
            ["switch_revision.id", "switch_revision.switch_id"],
            name=op.f("fk_calibration_switch_revision_id_switch_id"),
        ),
        sa.ForeignKeyConstraint(
            ["verified_by_id"], ["person.id"], name=op.f("fk_calibration_verified_by_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration")),
        sa.UniqueConstraint("id", "switch_id", name=op.f("uq_calibration_id_switch_id")),
        sa.UniqueConstraint(
            "id", "switch_revision_id", name=op.f("uq_calibration_id_switch_revision_id")
        ),
        sa.UniqueConstraint("replaces_id", name=op.f("uq_calibration_replaces_id")),
        sa.UniqueConstraint("site_id", "number", name=op.f("uq_calibration_site_id_number")),
    )
    op.create_index(
        "ix_calibration_switch_day", "calibration", ["switch_id", "performed_on"], unique=False
    )
    op.create_table(
        "certificate_point",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("certificate_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("phase", sa.String(length=40), nullable=False),
        sa.Column("direction", sa.String(length=40), nullable=False),
        sa.Column("reference", sa.String(length=40), nullable=False),
        sa.Column("indication", sa.String(length=40), nullable=False),
        sa.Column("reference_value", sa.Double(), nullable=False),
        sa.Column("indication_value", sa.Double(), nullable=False),
        sa.Column("expanded_uncertainty", sa.String(length=40), nullable=False),
        sa.Column("expanded_uncertainty_value", sa.Double(), nullable=False),
        sa.Column("coverage_factor", sa.String(length=40), nullable=False),
        sa.Column("coverage_factor_value", sa.Double(), nullable=False),
        sa.CheckConstraint(
            "direction IN ('rising', 'falling')", name=op.f("ck_certificate_point_direction_known")
        ),
        sa.CheckConstraint(
            "phase IN ('as-found', 'as-left')", name=op.f("ck_certificate_point_phase_known")
        ),
        sa.CheckConstraint(
            "coverage_factor_value >= 1", name=op.f("ck_certificate_point_coverage_factor_from_one")
        ),
        sa.CheckConstraint(
            "expanded_uncertainty_value > 0", name=op.f("ck_certificate_point_uncertainty_positive")
        ),
        sa.ForeignKeyConstraint(
            ["certificate_id"], ["certificate.id"], name=op.f("fk_certificate_point_certificate_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_certificate_point")),
        sa.UniqueConstraint(
            "certificate_id", "position", name=op.f("uq_certificate_point_certificate_id_position")
        ),
    )
    op.create_table(
        "certificate_standard",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("certificate_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("description", sa.String(length=300), nullable=False),
        sa.Column("gauge_id", sa.Integer(), nullable=True),
        sa.Column("standard_certificate_id", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "(gauge_id IS NULL) = (standard_certificate_id IS NULL)",
            name=op.f("ck_certificate_standard_gauge_with_certificate"),
        ),
        sa.CheckConstraint(
            "standard_certificate_id IS NULL OR standard_certificate_id <> certificate_id",
            name=op.f("ck_certificate_standard_not_its_own_standard"),
        ),
        sa.ForeignKeyConstraint(
            ["certificate_id"],
            ["certificate.id"],
            name=op.f("fk_certificate_standard_certificate_id"),
        ),
        sa.ForeignKeyConstraint(
            ["standard_certificate_id", "gauge_id"],
            ["certificate.id", "certificate.gauge_id"],
            name=op.f("fk_certificate_standard_standard_certificate_id_gauge_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_certificate_standard")),
        sa.UniqueConstraint(
            "certificate_id",
            "position",
            name=op.f("uq_certificate_standard_certificate_id_position"),
        ),
    )
    op.create_index(
        "ix_certificate_standard_used",
        "certificate_standard",
        ["standard_certificate_id"],
        unique=False,
    )
    op.create_table(
        "certificate_withdrawal",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("certificate_id", sa.Integer(), nullable=False),
        sa.Column("withdrawn_on", sa.Date(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.String(length=27), nullable=False),
        sa.Column("recorded_by", sa.String(length=60), nullable=False),
        sa.ForeignKeyConstraint(
            ["certificate_id"],
            ["certificate.id"],
            name=op.f("fk_certificate_withdrawal_certificate_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_certificate_withdrawal")),
        sa.UniqueConstraint(
            "certificate_id", name=op.f("uq_certificate_withdrawal_certificate_id")
        ),
    )
    op.create_table(
        "procedure_hazard",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("procedure_revision_id", sa.Integer(), nullable=False),
        sa.Column("hazard", sa.String(length=40), nullable=False),
        sa.CheckConstraint(
            "hazard IN ('trip', 'stored pressure', 'one-sided overpressure', 'oxygen', 'toxic', 'flammable', 'hot', 'foreign voltage')",
            name=op.f("ck_procedure_hazard_hazard_known"),
        ),
        sa.ForeignKeyConstraint(
            ["procedure_revision_id"],
            ["procedure_revision.id"],
            name=op.f("fk_procedure_hazard_procedure_revision_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_procedure_hazard")),
        sa.UniqueConstraint(
            "procedure_revision_id",
            "hazard",
            name=op.f("uq_procedure_hazard_procedure_revision_id_hazard"),
        ),
    )
    op.create_table(
        "procedure_scope",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("procedure_revision_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.String(length=40), nullable=False),
        sa.CheckConstraint(
            "quantity IN ('pressure', 'differential pressure', 'vacuum', 'absolute pressure', 'temperature')",
            name=op.f("ck_procedure_scope_quantity_known"),
        ),
        sa.ForeignKeyConstraint(
            ["procedure_revision_id"],
            ["procedure_revision.id"],
            name=op.f("fk_procedure_scope_procedure_revision_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_procedure_scope")),
        sa.UniqueConstraint(
            "procedure_revision_id",
            "quantity",
            name=op.f("uq_procedure_scope_procedure_revision_id_quantity"),
        ),
    )
    op.create_table(
        "procedure_step",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("procedure_revision_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["procedure_revision_id"],
            ["procedure_revision.id"],
            name=op.f("fk_procedure_step_procedure_revision_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_procedure_step")),
        sa.UniqueConstraint(
            "procedure_revision_id",
            "position",
            name=op.f("uq_procedure_step_procedure_revision_id_position"),
        ),
    )
    op.create_table(
        "set_point",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("switch_revision_id", sa.Integer(), nullable=False),
        sa.Column("switch_id", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(length=60), nullable=False),
        sa.Column("value", sa.String(length=40), nullable=False),
        sa.Column("value_value", sa.Double(), nullable=False),
        sa.Column("direction", sa.String(length=40), nullable=False),
        sa.Column("tolerance_minus", sa.String(length=40), nullable=True),
        sa.Column("tolerance_plus", sa.String(length=40), nullable=True),
        sa.Column("tolerance_basis", sa.String(length=40), nullable=False),
        sa.Column("as_left_minus", sa.String(length=40), nullable=True),
        sa.Column("as_left_plus", sa.String(length=40), nullable=True),
        sa.Column("dead_band_kind", sa.String(length=40), nullable=False),
        sa.Column("dead_band_min", sa.String(length=40), nullable=True),
        sa.Column("dead_band_max", sa.String(length=40), nullable=True),
        sa.Column("dead_band_min_value", sa.Double(), nullable=True),
        sa.Column("dead_band_max_value", sa.Double(), nullable=True),
        sa.Column("repeatability_limit", sa.String(length=40), nullable=True),
        sa.Column("repeatability_limit_value", sa.Double(), nullable=True),
        sa.Column("contact_form", sa.String(length=40), nullable=False),
        sa.Column("action", sa.String(length=40), nullable=False),
        sa.Column("energised_state", sa.String(length=40), nullable=False),
        sa.CheckConstraint(
            "dead_band_kind IN ('fixed', 'adjustable')",
            name=op.f("ck_set_point_dead_band_kind_known"),
        ),
        sa.CheckConstraint(
            "direction IN ('rising', 'falling')", name=op.f("ck_set_point_direction_known")
        ),
        sa.CheckConstraint(
            "tolerance_basis IN ('absolute', '% of span', '% of upper range value', '% of set point')",
            name=op.f("ck_set_point_tolerance_basis_known"),
        ),
        sa.CheckConstraint(
            "(dead_band_min_value IS NULL OR dead_band_min_value >= 0) AND (dead_band_max_value IS NULL OR dead_band_max_value >= 0)",
            name=op.f("ck_set_point_dead_band_not_negative"),
        ),
        sa.CheckConstraint(
            "dead_band_min_value IS NULL OR dead_band_max_value IS NULL OR dead_band_min_value <= dead_band_max_value",
            name=op.f("ck_set_point_dead_band_limits_in_order"),
        ),
        sa.CheckConstraint(
            "repeatability_limit_value IS NULL OR repeatability_limit_value > 0",
            name=op.f("ck_set_point_repeatability_limit_positive"),
        ),
        sa.CheckConstraint(
            "tolerance_minus IS NOT NULL OR tolerance_plus IS NOT NULL",
            name=op.f("ck_set_point_has_a_tolerance"),
        ),
        sa.ForeignKeyConstraint(
            ["switch_revision_id", "switch_id"],
            ["switch_revision.id", "switch_revision.switch_id"],
            name=op.f("fk_set_point_switch_revision_id_switch_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_set_point")),
        sa.UniqueConstraint(
            "id",
            "direction",
            "switch_revision_id",
            name=op.f("uq_set_point_id_direction_switch_revision_id"),
        ),
        sa.UniqueConstraint(
            "id", "switch_revision_id", name=op.f("uq_set_point_id_switch_revision_id")
        ),
        sa.UniqueConstraint(
            "switch_revision_id", "label", name=op.f("uq_set_point_switch_revision_id_label")
        ),
    )
    op.create_table(
        "switch_hazard",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("switch_revision_id", sa.Integer(), nullable=False),
        sa.Column("hazard", sa.String(length=40), nullable=False),
        sa.CheckConstraint(
            "hazard IN ('trip', 'stored pressure', 'one-sided overpressure', 'oxygen', 'toxic', 'flammable', 'hot', 'foreign voltage')",
            name=op.f("ck_switch_hazard_hazard_known"),
        ),
        sa.ForeignKeyConstraint(
            ["switch_revision_id"],
            ["switch_revision.id"],
            name=op.f("fk_switch_hazard_switch_revision_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_switch_hazard")),
        sa.UniqueConstraint(
            "switch_revision_id", "hazard", name=op.f("uq_switch_hazard_switch_revision_id_hazard")
        ),
    )
    op.create_table(
        "calibration_cycle",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("calibration_id", sa.Integer(), nullable=False),
        sa.Column("switch_revision_id", sa.Integer(), nullable=False),
        sa.Column("set_point_id", sa.Integer(), nullable=False),
        sa.Column("direction", sa.String(length=40), nullable=False),
        sa.Column("phase", sa.String(length=40), nullable=False),
        sa.Column("run", sa.Integer(), nullable=False),
        sa.Column("static", sa.String(length=40), nullable=True),
        sa.Column("static_value", sa.Double(), nullable=True),
        sa.Column("trip", sa.String(length=40), nullable=True),
        sa.Column("trip_value", sa.Double(), nullable=True),
        sa.Column("reset", sa.String(length=40), nullable=True),
        sa.Column("reset_value", sa.Double(), nullable=True),
        sa.Column("outcome", sa.String(length=40), nullable=False),
        sa.CheckConstraint(
            "(outcome = 'no trip') = (trip_value IS NULL)",
            name=op.f("ck_calibration_cycle_a_trip_has_a_reading"),
        ),
        sa.CheckConstraint(
            "outcome IN ('tripped', 'no trip', 'no reset', 'chatter')",
            name=op.f("ck_calibration_cycle_outcome_known"),
        ),
        sa.CheckConstraint(
            "phase IN ('as-found', 'as-left')", name=op.f("ck_calibration_cycle_phase_known")
        ),
        sa.CheckConstraint(
            "trip_value IS NULL OR reset_value IS NULL OR (direction = 'rising' AND reset_value <= trip_value) OR (direction = 'falling' AND reset_value >= trip_value)",
            name=op.f("ck_calibration_cycle_dead_band_not_negative"),
        ),
        sa.CheckConstraint(
            "(trip IS NULL) = (trip_value IS NULL) AND (reset IS NULL) = (reset_value IS NULL) AND (static IS NULL) = (static_value IS NULL)",
            name=op.f("ck_calibration_cycle_typed_with_value"),
        ),
        sa.CheckConstraint("run > 0", name=op.f("ck_calibration_cycle_run_from_one")),
        sa.ForeignKeyConstraint(
            ["calibration_id", "switch_revision_id"],
            ["calibration.id", "calibration.switch_revision_id"],
            name=op.f("fk_calibration_cycle_calibration_id_switch_revision_id"),
        ),
        sa.ForeignKeyConstraint(
            ["set_point_id", "direction", "switch_revision_id"],
            ["set_point.id", "set_point.direction", "set_point.switch_revision_id"],
            name=op.f("fk_calibration_cycle_set_point_id_direction_switch_revision_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration_cycle")),
        sa.UniqueConstraint(
            "calibration_id",
            "set_point_id",
            "phase",
            "run",
            name=op.f("uq_calibration_cycle_calibration_id_set_point_id_phase_run"),
        ),
    )
    op.create_table(
        "calibration_finding",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("calibration_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=40), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["calibration_id"],
            ["calibration.id"],
            name=op.f("fk_calibration_finding_calibration_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration_finding")),
    )
    op.create_index(
        op.f("ix_calibration_finding_calibration_id"),
        "calibration_finding",
        ["calibration_id"],
        unique=False,
    )
    op.create_table(
        "calibration_gauge",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("calibration_id", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(length=40), nullable=False),
        sa.Column("gauge_id", sa.Integer(), nullable=False),
        sa.Column("gauge_revision_id", sa.Integer(), nullable=False),
        sa.Column("certificate_id", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "role IN ('operating', 'static')", name=op.f("ck_calibration_gauge_role_known")
        ),
        sa.ForeignKeyConstraint(
            ["calibration_id"], ["calibration.id"], name=op.f("fk_calibration_gauge_calibration_id")
        ),
        sa.ForeignKeyConstraint(
            ["certificate_id", "gauge_id"],
            ["certificate.id", "certificate.gauge_id"],
            name=op.f("fk_calibration_gauge_certificate_id_gauge_id"),
        ),
        sa.ForeignKeyConstraint(
            ["gauge_id"], ["gauge.id"], name=op.f("fk_calibration_gauge_gauge_id")
        ),
        sa.ForeignKeyConstraint(
            ["gauge_revision_id", "gauge_id"],
            ["gauge_revision.id", "gauge_revision.gauge_id"],
            name=op.f("fk_calibration_gauge_gauge_revision_id_gauge_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration_gauge")),
        sa.UniqueConstraint(
            "calibration_id", "role", name=op.f("uq_calibration_gauge_calibration_id_role")
        ),
    )
    op.create_index(
        "ix_calibration_gauge_certificate", "calibration_gauge", ["certificate_id"], unique=False
    )
    op.create_table(
        "calibration_result",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("calibration_id", sa.Integer(), nullable=False),
        sa.Column("switch_revision_id", sa.Integer(), nullable=False),
        sa.Column("set_point_id", sa.Integer(), nullable=False),
        sa.Column("phase", sa.String(length=40), nullable=False),
        sa.Column("unit", sa.String(length=20), nullable=False),
        sa.Column("required", sa.String(length=40), nullable=False),
        sa.Column("found", sa.Double(), nullable=True),
        sa.Column("first_trip", sa.Double(), nullable=True),
        sa.Column("error", sa.Double(), nullable=True),
        sa.Column("late", sa.Boolean(), nullable=True),
        sa.Column("dead_band", sa.Double(), nullable=True),
        sa.Column("repeatability", sa.Double(), nullable=True),
        sa.Column("runs", sa.Integer(), nullable=False),
        sa.Column("trip_sd", sa.Double(), nullable=True),
        sa.Column("standard_uncertainty", sa.Double(), nullable=True),
        sa.Column("coverage_factor", sa.Double(), nullable=True),
        sa.Column("expanded_uncertainty", sa.Double(), nullable=True),
        sa.Column("effective_dof", sa.Double(), nullable=True),
        sa.Column("coverage_probability", sa.Double(), nullable=False),
        sa.Column("tur", sa.Double(), nullable=True),
        sa.Column("lower_limit", sa.Double(), nullable=True),
        sa.Column("upper_limit", sa.Double(), nullable=True),
        sa.Column("lower_acceptance", sa.Double(), nullable=True),
        sa.Column("upper_acceptance", sa.Double(), nullable=True),
        sa.Column("decision_rule", sa.String(length=40), nullable=False),
        sa.Column("rule_statement", sa.Text(), nullable=False),
        sa.Column("verdict", sa.String(length=40), nullable=False),
        sa.Column("category", sa.String(length=40), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("probability_outside", sa.Double(), nullable=True),
        sa.Column("budget", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "decision_rule IN ('simple acceptance', 'guarded acceptance', 'non-binary', 'managed risk', 'conformance probability')",
            name=op.f("ck_calibration_result_decision_rule_known"),
        ),
        sa.CheckConstraint(
            "phase IN ('as-found', 'as-left')", name=op.f("ck_calibration_result_phase_known")
        ),
        sa.CheckConstraint(
            "verdict IN ('pass', 'conditional pass', 'conditional fail', 'fail')",
            name=op.f("ck_calibration_result_verdict_known"),
        ),
        sa.CheckConstraint(
            "dead_band IS NULL OR dead_band >= 0",
            name=op.f("ck_calibration_result_dead_band_not_negative"),
        ),
        sa.CheckConstraint(
            "expanded_uncertainty IS NULL OR expanded_uncertainty >= 0",
            name=op.f("ck_calibration_result_uncertainty_not_negative"),
        ),
        sa.CheckConstraint(
            "probability_outside IS NULL OR (probability_outside >= 0 AND probability_outside <= 1)",
            name=op.f("ck_calibration_result_probability_is_a_fraction"),
        ),
        sa.CheckConstraint(
            "repeatability IS NULL OR repeatability >= 0",
            name=op.f("ck_calibration_result_repeatability_not_negative"),
        ),
        sa.CheckConstraint(
            "runs >= 0 AND (trip_sd IS NULL OR (trip_sd >= 0 AND runs >= 2))",
            name=op.f("ck_calibration_result_spread_needs_two_runs"),
        ),
        sa.ForeignKeyConstraint(
            ["calibration_id", "switch_revision_id"],
            ["calibration.id", "calibration.switch_revision_id"],
            name=op.f("fk_calibration_result_calibration_id_switch_revision_id"),
        ),
        sa.ForeignKeyConstraint(
            ["set_point_id", "switch_revision_id"],
            ["set_point.id", "set_point.switch_revision_id"],
            name=op.f("fk_calibration_result_set_point_id_switch_revision_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration_result")),
        sa.UniqueConstraint(
            "calibration_id",
            "set_point_id",
            "phase",
            name=op.f("uq_calibration_result_calibration_id_set_point_id_phase"),
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
    run(
        "CREATE FUNCTION calfleet_refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$ "
        "BEGIN RAISE EXCEPTION 'append-only: %% rows are never changed or removed', TG_TABLE_NAME "
        "USING ERRCODE = 'integrity_constraint_violation'; END $$"
    )
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
