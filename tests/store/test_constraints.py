"""The database itself refuses what contradicts the model, whoever writes to it and by what way.

Every CHECK, UNIQUE and FOREIGN KEY constraint is broken once with a plain INSERT, on both
databases, and named by the refusal. SQLite does not name foreign keys in its messages, and a key
that exists already is refused there by the guard on INSERT; PostgreSQL names all of them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import pytest
from sqlalchemy import (
    CheckConstraint,
    Connection,
    Date,
    Engine,
    ForeignKeyConstraint,
    Integer,
    String,
    UniqueConstraint,
    text,
)
from sqlalchemy.exc import IntegrityError

from calfleet.errors import RecordRefused
from calfleet.store.base import Base
from calfleet.store.engine import refusals

TABLES = {table.name: table for table in Base.metadata.sorted_tables}
NOWHERE = 999_999


@dataclass(frozen=True)
class Case:
    """One forbidden row: an existing row of ``table`` (``where``), with these values changed."""

    table: str
    constraint: str
    where: str = "1 = 1"
    values: dict[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        return f"{self.constraint}{sorted(self.values.items())}"


def case(table: str, constraint: str, where: str = "1 = 1", **values: Any) -> Case:
    return Case(table, f"ck_{table}_{constraint}", where, values)


TOO_FEW: list[dict[str, Any]] = [
    {"exercise_cycles": -1},
    {"as_found_runs": 0},
    {"as_left_runs": 0},
]
NEGATIVE_DAYS: list[dict[str, Any]] = [
    {"transit_days": -1},
    {"turnaround_days": -1},
    {"review_days": -1},
]
NO_SPREAD: list[dict[str, Any]] = [{"runs": -1, "trip_sd": None}, {"runs": 1}, {"trip_sd": -0.1}]
PASSED = "verdict = 'pass' AND phase = 'as-found'"
DS1 = "switch_revision_id = (SELECT min(id) FROM switch_revision) AND label = 'H'"

CHECKS = [
    case("audit_entry", "position_from_one", position=0, previous="a" * 64, digest="b" * 64),
    case("audit_entry", "digest_length", position=2, previous="a" * 63, digest="b" * 64),
    case("audit_entry", "digest_length", position=2, previous="a" * 64, digest="b"),
    case("interval_policy", "interval_positive", code="N", every=0),
    case("interval_policy", "grace_days_not_negative", code="N", grace_days=-1),
    case("interval_policy", "grace_is_a_fraction", code="N", grace_fraction_value=1.01,
         grace_days=0),
    case("interval_policy", "grace_is_a_fraction", code="N", grace_fraction_value=-0.01,
         grace_days=0),
    case("interval_policy", "one_kind_of_grace", code="N", grace_days=5,
         grace_fraction_value=0.25),
    case("accreditation", "dates_in_order", number="N", valid_from="2026-01-02",
         valid_until="2026-01-01"),
    case("qualification", "dates_in_order", granted_on="2026-01-02", expires_on="2026-01-01"),
    case("procedure_revision", "revision_positive", revision=0, effective_on="2030-01-01"),
    case("procedure_revision", "approved_before_use", revision=9, approved_on="2030-01-02",
         effective_on="2030-01-01"),
    *(
        case("procedure_revision", "counts_sensible", revision=9, effective_on="2030-01-01", **bad)
        for bad in TOO_FEW
    ),
    *(
        case("procedure_revision", "coverage_is_a_fraction", revision=9,
             effective_on="2030-01-01", coverage_probability_value=bad)
        for bad in (0, 1, 95)
    ),
    case("switch_revision", "revision_positive", revision=0),
    case("switch_revision", "range_not_empty", revision=9, range_low_value=100.0,
         range_high_value=100.0),
    case("switch_revision", "bench_minutes_positive", revision=9, bench_minutes=0),
    case("switch_revision", "pressure_has_line_unit", "quantity <> 'temperature'", revision=9,
         line_unit=None),
    case("set_point", "has_a_tolerance", DS1, label="N", tolerance_minus=None,
         tolerance_plus=None),
    case("set_point", "dead_band_not_negative", DS1, label="N", dead_band_min_value=-0.1),
    case("set_point", "dead_band_not_negative", DS1, label="N", dead_band_min_value=None,
         dead_band_max_value=-0.1),
    case("set_point", "dead_band_limits_in_order", DS1, label="N", dead_band_min_value=5,
         dead_band_max_value=4),
    case("set_point", "repeatability_limit_positive", DS1, label="N",
         repeatability_limit_value=0),
    case("gauge_revision", "revision_positive", revision=0),
    case("gauge_revision", "range_not_empty", revision=9, range_low_value=200,
         range_high_value=0),
    case("gauge_revision", "resolution_positive", revision=9, resolution_value=0),
    case("gauge_revision", "accuracy_not_negative", revision=9, accuracy_value=-0.1),
    case("gauge_revision", "tier_from_one", revision=9, tier=0),
    case("certificate", "issued_after_calibration", number="N", issued_on="2020-01-01"),
    case("certificate", "correction_has_a_reason", "number = 'IN-1-R1'", number="N", replaces_id=3,
         replacement_reason=None),
    case("certificate", "correction_has_a_reason", "number = 'IN-1'", number="N",
         replacement_reason="why"),
    case("certificate_point", "uncertainty_positive", position=9, expanded_uncertainty_value=0),
    case("certificate_point", "coverage_factor_from_one", position=9, coverage_factor_value=0.99),
    case("certificate_standard", "gauge_with_certificate", "gauge_id IS NOT NULL", position=9,
         standard_certificate_id=None),
    case("certificate_standard", "gauge_with_certificate", "gauge_id IS NOT NULL", position=9,
         gauge_id=None),
    case("calibration", "exercise_cycles_not_negative", "number = 'H1'", number="N",
         exercise_cycles=-1),
    case("calibration", "correction_has_a_reason", "number = 'C2'", number="N", replaces_id=2,
         replacement_reason=None),
    case("calibration", "correction_has_a_reason", "number = 'H1'", number="N",
         replacement_reason="why"),
    case("calibration", "barometric_has_a_unit", "number = 'H1'", number="N", barometric="101"),
    case("calibration", "barometric_has_a_unit", "number = 'H1'", number="N",
         barometric_unit="kPa"),
    case("calibration", "head_has_a_fluid", "number = 'H1'", number="N", head_height_m="0.5"),
    case("calibration_cycle", "run_from_one", "trip IS NOT NULL", run=0),
    case("calibration_cycle", "dead_band_not_negative",
         "direction = 'rising' AND reset IS NOT NULL", run=9, trip_value=60.0, reset_value=60.01),
    case("calibration_cycle", "dead_band_not_negative",
         "direction = 'falling' AND reset IS NOT NULL", run=9, trip_value=20.0,
         reset_value=19.99),
    case("calibration_cycle", "a_trip_has_a_reading", "outcome = 'no trip'", run=9, trip="60",
         trip_value=60.0),
    case("calibration_cycle", "a_trip_has_a_reading", "outcome = 'tripped'", run=9, trip=None,
         trip_value=None),
    *(
        case("calibration_cycle", "typed_with_value", "outcome = 'chatter'", run=9, **{what: None})
        for what in ("trip", "reset", "reset_value", "static", "static_value")
    ),
    case("calibration_result", "dead_band_not_negative", PASSED, phase="as-left",
         dead_band=-0.001),
    case("calibration_result", "repeatability_not_negative", PASSED, phase="as-left",
         repeatability=-0.001),
    *(
        case("calibration_result", "spread_needs_two_runs", PASSED, phase="as-left",
             **bad)
        for bad in NO_SPREAD
    ),
    case("calibration_result", "uncertainty_not_negative", PASSED, phase="as-left",
         expanded_uncertainty=-1),
    case("calibration_result", "probability_is_a_fraction", PASSED, phase="as-left",
         probability_outside=1.5),
    case("calibration_result", "probability_is_a_fraction", PASSED, phase="as-left",
         probability_outside=-0.5),
    case("deferral", "puts_something_off", due_on="2026-07-01"),
    case("deferral", "requested_first", until="2026-08-01", requested_on="2026-05-03"),
    case("deferral", "approved_in_time", until="2026-08-01", approved_on="2026-06-02"),
    case("deferral", "reason_and_risk_stated", until="2026-08-01", reason=""),
    case("deferral", "reason_and_risk_stated", until="2026-08-01", risk=""),
    case("outage", "revision_positive", revision=0),
    case("outage", "dates_in_order", revision=2, last_on="2026-06-30"),
    case("working_hours", "fits_into_a_week", effective_on="2026-02-01", minutes_per_week=10_081),
    case("working_hours", "fits_into_a_week", effective_on="2026-02-01", minutes_per_week=-1),
    case("gauge_absence", "dates_in_order", last_on="2026-01-19"),
    *(
        case("laboratory_terms", "days_not_negative", effective_on="2026-02-01", **bad)
        for bad in NEGATIVE_DAYS
    ),
    case("usage_rule", "limit_positive", name="hours", limit_value=0),
    case("usage_reading", "value_not_negative", name="hours", value_value=-1),
    case("redundant_group", "apart_at_least_a_week", code="N", weeks_apart=0),
    case("plan", "weeks_positive", number="N", weeks=0),
    case("gauge_event", "the_withdrawn_certificate_is_named", "certificate_id IS NULL",
         number="N", kind="certificate withdrawn"),
    case("event_notice", "somebody_was_told", told=""),
    case("disposition", "decision_from_one", decision=0),
    case("disposition", "reason_stated", decision=9, reason=""),
    case("event_closure", "statement_made", gauge_event_id=2, statement=""),
    case("cross_check_point", "uncertainties_not_negative", gauge_uncertainty_value=-0.1),
    case("cross_check_point", "uncertainties_not_negative", reference_uncertainty_value=-0.1),
    case("review", "reading_from_one", reading=0),
    case("review", "a_return_has_a_reason", "outcome = 'returned'", reading=9, reason=""),
    case("attachment", "not_empty", "certificate_id IS NOT NULL", digest="f" * 64, size=0),
    case("attachment", "bound_to_one_record", "certificate_id IS NOT NULL", digest="f" * 64,
         certificate_id=None),
    case("attachment", "bound_to_one_record", "certificate_id IS NOT NULL", digest="f" * 64,
         gauge_event_id=1),
    case("due_rule", "the_site_has_no_subject", "scope = 'site'", subject="N"),
    case("due_rule", "the_site_has_no_subject", "scope = 'switch'", subject=""),
    case("due_rule", "a_switch_is_known", "scope = 'switch'", effective_on="2026-02-01",
         switch_id=None),
    case("due_rule", "reason_stated", effective_on="2026-02-01", reason=""),
    case("due_rule", "shelf_limit_positive", effective_on="2026-02-01", shelf_limit_days=0),
    case("due_rule", "deferrals_not_negative", effective_on="2026-02-01", deferrals_allowed=-1),
    case("person_leave", "dates_in_order", last_on="2026-06-30"),
    case("shop_closure", "dates_in_order", last_on="2026-07-31"),
    case("planning_withdrawal", "reason_stated", "holiday_id IS NOT NULL", holiday_id=2, reason=""),
    case("planning_withdrawal", "withdraws_one_thing", "holiday_id IS NOT NULL", holiday_id=None),
    case("planning_withdrawal", "withdraws_one_thing", "holiday_id IS NOT NULL", holiday_id=2,
         shop_closure_id=2),
    case("gauge_upkeep", "note_made", done_on="2026-02-01", note=""),
    case("issued_report", "issue_from_one", issue=0),
    case("issued_report", "not_empty", issue=9, size=0),
]  # fmt: skip

OF_ANOTHER_ROW = {
    "ck_certificate_not_its_own_correction",
    "ck_calibration_not_its_own_correction",
    "ck_certificate_standard_not_its_own_standard",
    "ck_calibration_verified_by_another_person",
    "ck_deferral_approved_by_another_person",
    "ck_plan_not_based_on_itself",
    "ck_cross_check_two_gauges",
    "ck_draft_not_its_own_successor",
}
"""These compare two keys of one row; each has a test of its own below."""


def row_of(connection: Connection, table: str, where: str) -> dict[str, Any]:
    found = connection.execute(text(f"SELECT * FROM {table} WHERE {where} LIMIT 1")).mappings()
    row = found.first()
    assert row is not None, f"the shop has no row of {table} where {where}"
    return {k: v for k, v in row.items() if k != "id"}


def insert(connection: Connection, table: str, row: dict[str, Any]) -> None:
    names = ", ".join(f'"{name}"' for name in row)
    marks = ", ".join(f":{name}" for name in row)
    connection.execute(text(f"INSERT INTO {table} ({names}) VALUES ({marks})"), row)


def refused(
    engine: Engine, wanted: Case, *, says: str | None = None, also: Iterable[str] = ()
) -> str:
    """The rule told by the refusal, which names the constraint (or one of ``also``).

    ``says``: what SQLite tells instead of a name. Nothing stays of the attempt.
    """
    with engine.connect() as connection:
        row = row_of(connection, wanted.table, wanted.where) | wanted.values
        with pytest.raises(IntegrityError) as refusal:
            insert(connection, wanted.table, row)
        connection.rollback()
    told = str(refusal.value.orig)
    if engine.dialect.name == "postgresql" or says is None:
        assert any(name in told for name in (wanted.constraint, *also)), told
    else:
        assert says in told
    with pytest.raises(RecordRefused) as translated, refusals(str(engine.url)):
        raise refusal.value
    assert translated.value.exit_code == 3
    assert translated.value.next_step
    return translated.value.rule


def free(
    table: str,
    row: dict[str, Any],
    *,
    keep: Iterable[str] = (),
    changed: Iterable[str] = (),
) -> dict[str, Any]:
    """``row`` with keys of its own: all but the key ``keep``, and those ``changed`` anyhow."""
    kept, moved = set(keep), set(changed)
    made = dict(row)
    columns = TABLES[table].columns
    listed = {
        c.sqltext.text.split(" IN ")[0].split()[-1]
        for c in TABLES[table].constraints
        if isinstance(c, CheckConstraint) and " IN (" in c.sqltext.text
    }
    referring = {
        element.parent.name
        for c in TABLES[table].constraints
        if isinstance(c, ForeignKeyConstraint)
        for element in c.elements
    }
    for unique in (c for c in TABLES[table].constraints if isinstance(c, UniqueConstraint)):
        names = [column.name for column in unique.columns]
        if "id" in names or set(names) == kept or moved & set(names):
            continue
        if any(made[n] is None for n in names):
            continue
        able = [n for n in names if n not in referring | listed | kept]
        if not able:
            continue
        kind = columns[able[-1]].type
        if isinstance(kind, Date):
            made[able[-1]] = date(2099, 1, 1)
        elif isinstance(kind, Integer):
            made[able[-1]] = 99
        else:
            assert isinstance(kind, String) or hasattr(kind, "impl")
            made[able[-1]] = ("f" * 64) if table == "audit_entry" else "fresh"
    return made


@pytest.mark.parametrize("wanted", CHECKS, ids=str)
def test_a_check_refuses_what_contradicts_it(wanted: Case, filled: Engine) -> None:
    assert refused(filled, wanted) == f"Constraint {wanted.constraint}."


def word_cases() -> list[Case]:
    """For each list of words in the model, a row with a word that is not on it."""
    found = []
    for name, table in TABLES.items():
        for constraint in table.constraints:
            if isinstance(constraint, CheckConstraint) and " IN (" in constraint.sqltext.text:
                column = constraint.sqltext.text.split(" IN ")[0].split()[-1]
                found.append(Case(name, str(constraint.name), "1 = 1", {column: "otherwise"}))
    return sorted(found, key=str)


# rows that break nothing else once the word is changed, and have room for a second one beside
ROOM = {
    "calibration_cycle": "trip IS NOT NULL",
    "calibration_result": PASSED,
    "due_rule": "scope = 'family'",
}


@pytest.mark.parametrize("wanted", word_cases(), ids=str)
def test_a_word_that_is_not_on_its_list_is_refused(wanted: Case, filled: Engine) -> None:
    where = ROOM.get(wanted.table, "1 = 1")
    with filled.connect() as connection:
        row = row_of(connection, wanted.table, where)
        fresh = free(wanted.table, row, changed=wanted.values)
    if wanted.table == "calibration_result":
        fresh["phase"] = "as-left"
    refused(filled, Case(wanted.table, wanted.constraint, where, fresh | wanted.values))


def test_every_check_is_broken_once_here() -> None:
    broken = {c.constraint for c in [*CHECKS, *word_cases()]} | OF_ANOTHER_ROW
    there = {
        str(constraint.name)
        for table in TABLES.values()
        for constraint in table.constraints
        if isinstance(constraint, CheckConstraint)
    }
    assert broken == there


# --- keys -------------------------------------------------------------------------------


def unique_cases() -> list[Case]:
    """For each key, a second row with it (its other keys made free)."""
    found = []
    for name, table in TABLES.items():
        for constraint in table.constraints:
            if isinstance(constraint, UniqueConstraint):
                names = [c.name for c in constraint.columns]
                if "id" not in names:
                    where = " AND ".join(f"{n} IS NOT NULL" for n in names)
                    found.append(Case(name, str(constraint.name), where))
    return sorted(found, key=str)


def untaken(connection: Connection, table: str, *, but: Iterable[str]) -> dict[str, Any]:
    """For a table whose two keys are both references: what no row of it refers to yet."""
    known = {
        "draft_signed": {"draft_id": ("draft", "D2026-0003")},
        "bench_sheet_return": {"bench_sheet_id": ("bench_sheet", "B2026-0002")},
    }
    if table not in known:
        return {}
    wanted = known[table] | {"calibration_id": ("calibration", "H1")}
    return {
        column: key_of(connection, parent, f"number = '{number}'")
        for column, (parent, number) in wanted.items()
        if column not in set(but)
    }


@pytest.mark.parametrize("wanted", unique_cases(), ids=str)
def test_a_key_that_exists_is_refused(wanted: Case, filled: Engine) -> None:
    constraint = next(c for c in TABLES[wanted.table].constraints if c.name == wanted.constraint)
    assert isinstance(constraint, UniqueConstraint)
    own = {c.name for c in constraint.columns}
    with filled.connect() as connection:
        row = row_of(connection, wanted.table, wanted.where)
        fresh = free(wanted.table, row, keep=own) | untaken(connection, wanted.table, but=own)
    if wanted.table == "audit_entry":
        fresh["position"] = 99
    refused(
        filled,
        Case(wanted.table, wanted.constraint, wanted.where, fresh),
        says=f"{wanted.table} already has this key",
    )


def foreign_cases() -> list[Case]:
    """For each reference, a row that points nowhere."""
    found = []
    for name, table in TABLES.items():
        for constraint in table.constraints:
            if isinstance(constraint, ForeignKeyConstraint):
                names = [element.parent.name for element in constraint.elements]
                where = " AND ".join(f"{n} IS NOT NULL" for n in names)
                found.append(Case(name, str(constraint.name), where, {names[0]: NOWHERE}))
    return sorted(found, key=str)


@pytest.mark.parametrize("wanted", foreign_cases(), ids=str)
def test_a_reference_to_nothing_is_refused(wanted: Case, filled: Engine) -> None:
    where = wanted.where
    with filled.connect() as connection:
        if wanted.table == "calibration_gauge":  # the record with one gauge has room for another
            h1 = key_of(connection, "calibration", "number = 'H1'")
            where += f" AND calibration_id = {h1}"
        elif wanted.table == "calibration_result":
            where += f" AND {PASSED}"
        row = row_of(connection, wanted.table, where)
        fresh = free(wanted.table, row, changed=wanted.values)
        if wanted.table == "plan_acceptance":
            fresh["plan_id"] = key_of(connection, "plan", "number = 'PL2'")
        if wanted.table == "event_closure" and "gauge_event_id" not in wanted.values:
            fresh["gauge_event_id"] = key_of(connection, "gauge_event", "number = 'E2026-002'")
        fresh |= untaken(connection, wanted.table, but=wanted.values)
    if wanted.table == "calibration_gauge":
        fresh["role"] = "static"
    if wanted.table == "calibration_result":
        fresh["phase"] = "as-left"
    if "replaces_id" in fresh and "replaces_id" not in wanted.values:
        # a correction can be corrected once, and this row is to break one rule only
        fresh |= {k: None for k in ("replaces_id", "replacement_reason") if k in fresh}
    refused(
        filled,
        Case(wanted.table, wanted.constraint, where, fresh | wanted.values),
        says="FOREIGN KEY constraint failed",
        also=[
            str(c.name)
            for c in TABLES[wanted.table].constraints
            if isinstance(c, ForeignKeyConstraint) and set(wanted.values) & set(c.column_keys)
        ],
    )


def key_of(connection: Connection, table: str, where: str) -> int:
    return int(connection.execute(text(f"SELECT id FROM {table} WHERE {where}")).scalar_one())


def foreign(engine: Engine, table: str, constraint: str, where: str, **values: Any) -> None:
    refused(engine, Case(table, constraint, where, values), says="FOREIGN KEY constraint failed")


def test_a_certificate_used_is_one_of_the_gauge_used(filled: Engine) -> None:
    with filled.connect() as connection:
        other = key_of(connection, "certificate", "number = 'OUT-1'")
        h1 = key_of(connection, "calibration", "number = 'H1'")
    foreign(
        filled,
        "calibration_gauge",
        "fk_calibration_gauge_certificate_id_gauge_id",
        f"calibration_id = {h1}",
        role="static",
        certificate_id=other,
    )


def test_a_gauge_is_used_by_a_data_sheet_of_its_own(filled: Engine) -> None:
    with filled.connect() as connection:
        sheet = key_of(connection, "gauge_revision", "description = 'Thermometer'")
        h1 = key_of(connection, "calibration", "number = 'H1'")
    foreign(
        filled,
        "calibration_gauge",
        "fk_calibration_gauge_gauge_revision_id_gauge_id",
        f"calibration_id = {h1}",
        role="static",
        gauge_revision_id=sheet,
    )


@pytest.mark.parametrize("what", ["set point", "direction", "data sheet"])
def test_a_cycle_is_of_a_set_point_of_the_data_sheet_judged_by(what: str, filled: Engine) -> None:
    with filled.connect() as connection:
        sheet = key_of(connection, "switch_revision", "reason = 'set point changed'")
        point = key_of(connection, "set_point", f"switch_revision_id = {sheet}")
    of_calibration = "fk_calibration_cycle_calibration_id_switch_revision_id"
    of_point = "fk_calibration_cycle_set_point_id_direction_switch_revision_id"
    where = "direction = 'rising' AND trip IS NULL"
    if what == "set point":  # of the newer sheet, under the older one
        foreign(filled, "calibration_cycle", of_point, where, run=9, set_point_id=point)
    elif what == "direction":  # so that the check of the dead band cannot be talked round
        foreign(filled, "calibration_cycle", of_point, where, run=9, direction="falling")
    else:  # both of the newer sheet, in a calibration judged by the older one
        foreign(
            filled,
            "calibration_cycle",
            of_calibration,
            where,
            run=9,
            set_point_id=point,
            switch_revision_id=sheet,
        )


def test_a_calibration_is_judged_by_a_data_sheet_of_its_switch(filled: Engine) -> None:
    with filled.connect() as connection:
        other = key_of(connection, "switch_revision", "quantity = 'temperature'")
    foreign(
        filled,
        "calibration",
        "fk_calibration_switch_revision_id_switch_id",
        "number = 'H1'",
        number="N",
        switch_revision_id=other,
    )


def test_a_correction_is_of_the_same_switch_and_gauge(filled: Engine) -> None:
    with filled.connect() as connection:
        sheet = key_of(connection, "switch_revision", "quantity = 'temperature'")
        tag = key_of(connection, "switch", "tag = 'TS-2'")
        newest = key_of(connection, "calibration", "number = 'C2'")
        of_other = key_of(connection, "certificate", "number = 'OUT-1'")
    foreign(
        filled,
        "calibration",
        "fk_calibration_replaces_id_switch_id",
        "number = 'C2'",
        number="N",
        switch_id=tag,
        switch_revision_id=sheet,
        replaces_id=newest,
    )
    foreign(
        filled,
        "certificate",
        "fk_certificate_replaces_id_gauge_id",
        "number = 'IN-1-R1'",
        number="N",
        replaces_id=of_other,
    )


def test_a_standard_behind_a_certificate_is_a_certificate_of_the_gauge_named(
    filled: Engine,
) -> None:
    with filled.connect() as connection:
        other = key_of(connection, "certificate", "number = 'IN-1-R1'")
    foreign(
        filled,
        "certificate_standard",
        "fk_certificate_standard_standard_certificate_id_gauge_id",
        "gauge_id IS NOT NULL",
        position=9,
        standard_certificate_id=other,
    )


def test_a_set_point_is_of_a_data_sheet_of_its_switch(filled: Engine) -> None:
    with filled.connect() as connection:
        other = key_of(connection, "switch", "tag = 'TS-2'")
    foreign(
        filled,
        "set_point",
        "fk_set_point_switch_revision_id_switch_id",
        DS1,
        label="N",
        switch_id=other,
    )


def test_a_certificate_is_not_its_own_standard(filled: Engine) -> None:
    with filled.connect() as connection:
        key, gauge = connection.execute(
            text("SELECT id, gauge_id FROM certificate WHERE number = 'IN-1'")
        ).one()
    refused(
        filled,
        Case(
            "certificate_standard",
            "ck_certificate_standard_not_its_own_standard",
            f"certificate_id = {key}",
            {"position": 9, "standard_certificate_id": key, "gauge_id": gauge},
        ),
    )


@pytest.mark.parametrize(("table", "number"), [("certificate", "IN-1-R1"), ("calibration", "C2")])
def test_nothing_corrects_itself(table: str, number: str, filled: Engine) -> None:
    refused(
        filled,
        Case(
            table,
            f"ck_{table}_not_its_own_correction",
            f"number = '{number}'",
            {"id": NOWHERE, "replaces_id": NOWHERE, "number": "N"},
        ),
    )


def test_a_second_person_verifies(filled: Engine) -> None:
    with filled.connect() as connection:
        row = row_of(connection, "calibration", "number = 'H1'")
    refused(
        filled,
        Case(
            "calibration",
            "ck_calibration_verified_by_another_person",
            "number = 'H1'",
            {"number": "N", "verified_by_id": row["performed_by_id"]},
        ),
    )


def test_nobody_approves_their_own_deferral(filled: Engine) -> None:
    with filled.connect() as connection:
        row = row_of(connection, "deferral", "1 = 1")
    changed = {"until": "2026-08-01", "approved_by_id": row["requested_by_id"]}
    refused(filled, Case("deferral", "ck_deferral_approved_by_another_person", "1 = 1", changed))


def test_a_plan_is_not_based_on_itself(filled: Engine) -> None:
    changed = {"id": NOWHERE, "based_on_id": NOWHERE, "number": "N"}
    refused(filled, Case("plan", "ck_plan_not_based_on_itself", "1 = 1", changed))


def test_a_draft_does_not_take_its_own_place(filled: Engine) -> None:
    changed = {"id": NOWHERE, "replaces_id": NOWHERE, "number": "N"}
    refused(filled, Case("draft", "ck_draft_not_its_own_successor", "1 = 1", changed))


def test_a_draft_takes_the_place_of_one_of_the_same_switch(filled: Engine) -> None:
    with filled.connect() as connection:
        other = key_of(connection, "draft", "number = 'D2026-0003'")
    foreign(
        filled,
        "draft",
        "fk_draft_replaces_id_switch_id",
        "number = 'D2026-0001'",
        number="N",
        replaces_id=other,
    )


def test_a_gauge_is_not_compared_with_itself(filled: Engine) -> None:
    with filled.connect() as connection:
        row = row_of(connection, "cross_check", "1 = 1")
    changed = {
        "number": "N", "against_id": row["gauge_id"],
        "against_certificate_id": row["certificate_id"],
    }  # fmt: skip
    refused(filled, Case("cross_check", "ck_cross_check_two_gauges", "1 = 1", changed))


def test_a_free_row_is_taken(filled: Engine) -> None:
    """So that the refusals above are of what was changed, not of the way of asking."""
    with filled.connect() as connection:
        for table, values in (
            ("interval_policy", {"code": "N"}),
            ("set_point", {"label": "N"}),
            ("calibration_cycle", {"run": 9}),
            ("certificate_point", {"position": 9}),
        ):
            insert(connection, table, row_of(connection, table, "1 = 1") | values)
        connection.rollback()
