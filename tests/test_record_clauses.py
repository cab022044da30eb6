"""What ISO/IEC 17025:2017 asks to be recorded and reported, and where it is stored and printed.

The items of 6.4.13, 7.5, 7.8.2.1, 7.8.4 and 7.8.6 were read in stored copies of the standard,
but for 6.4.13 g and h and 7.8.4.3, which are from memory; they are told here in our own words.
``stored`` names columns of the real tables, ``printed`` what the calibration report says, by its
part and label. What has no place has a ``gap``, which docs/auditor.md tells openly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from calfleet import records as rec
from calfleet.adapters.documents.calibration_report import report_data
from calfleet.services.calibration_report import report_facts
from calfleet.site import read_settings
from calfleet.store.base import Base
from calfleet.store.models import CalibrationRow  # noqa: F401 - loads every table

AUDITOR = Path(__file__).resolve().parents[1] / "docs" / "auditor.md"


@dataclass(frozen=True)
class Item:
    clause: str
    asks: str
    stored: tuple[str, ...] = ()
    printed: tuple[str, ...] = ()
    gap: str = ""

    def __str__(self) -> str:
        return self.clause


ITEMS = [
    # records of equipment that can influence the results
    Item(
        "6.4.13 a", "identity of the equipment, software and firmware version included",
        ("gauge.code", "gauge_revision.serial", "gauge_revision.revision",
         "gauge_particulars.software_version"),
        ("standards.gauge",),
    ),
    Item(
        "6.4.13 b", "maker, type, serial number or other unique identification",
        ("gauge_revision.description", "gauge_revision.serial", "gauge.code",
         "switch_revision.family", "switch_revision.serial", "switch.tag",
         "gauge_particulars.maker", "gauge_particulars.model", "switch_particulars.maker",
         "switch_particulars.model"),
        ("item: Maker, model", "standards.gauge", "standards.serial"),
    ),
    Item(
        "6.4.13 c", "evidence that it meets what is required of it",
        ("certificate_point.reference", "certificate_point.indication",
         "certificate_point.expanded_uncertainty", "gauge_revision.accuracy",
         "gauge_revision.accuracy_basis"),
    ),
    Item(
        "6.4.13 d", "where it is",
        ("gauge_particulars.kept_at", "gauge_revision.status", "gauge_absence.reason",
         "switch_particulars.stands_at", "switch_revision.area_id"),
    ),
    Item(
        "6.4.13 e", "dates and results of calibrations, adjustments, acceptance, next due or "
        "interval",
        ("certificate.calibrated_on", "certificate.number", "certificate.adjusted",
         "certificate_point.phase", "gauge_revision.accuracy", "gauge_revision.policy",
         "interval_policy.every"),
    ),
    Item(
        "6.4.13 f", "papers of reference materials and their validity",
        ("certificate_standard.description",),
        gap="Reference materials",
    ),
    Item(
        "6.4.13 g", "maintenance planned and done",
        ("gauge_particulars.maintenance", "gauge_upkeep.kind", "gauge_upkeep.done_on",
         "gauge_upkeep.note", "further_interval.name", "further_interval.policy",
         "other_work.done_on", "other_work.note"),
    ),
    Item(
        "6.4.13 h", "damage, malfunction, modification, repair",
        ("gauge_upkeep.kind", "gauge_upkeep.done_by_id", "gauge_upkeep.note", "gauge_event.kind",
         "gauge_event.found_on", "gauge_event.note", "gauge_revision.reason",
         "switch_revision.reason", "certificate.adjusted"),
    ),
    # technical records
    Item(
        "7.5.1", "results, what repeating the work needs, original observations, who did and who "
        "checked each activity and when",
        ("calibration_cycle.trip", "calibration_cycle.reset", "calibration_cycle.static",
         "calibration_cycle.outcome", "calibration_result.budget", "calibration.temperature_c",
         "calibration.humidity", "calibration.barometric", "calibration.head_height_m",
         "calibration.switch_revision_id", "calibration.procedure_revision_id",
         "calibration_gauge.gauge_revision_id", "calibration_gauge.certificate_id",
         "calibration.performed_on", "calibration.performed_by_id", "calibration.verified_by_id",
         "calibration.recorded_at", "calibration.recorded_by", "calibration.evaluation_version",
         "review.reviewed_by_id", "review.reviewed_on", "draft.recorded_at"),
    ),
    Item(
        "7.5.2", "amendments traceable to what was before; both kept, with date, what and who",
        ("calibration.replaces_id", "calibration.replacement_reason", "draft.replaces_id",
         "certificate.replaces_id", "certificate.replacement_reason", "audit_entry.at",
         "audit_entry.actor", "audit_entry.reason", "audit_entry.content", "audit_entry.previous",
         "audit_entry.digest"),
    ),
    # every report
    Item("7.8.2.1 a", "a title", printed=("title",)),
    Item(
        "7.8.2.1 b", "name and address of the laboratory",
        ("site.name", "site_particulars.shop_name", "site_particulars.shop_address"),
        ("laboratory",),
    ),
    Item(
        "7.8.2.1 c", "where the work was done",
        ("site.name", "site_particulars.shop_name", "switch_particulars.stands_at"),
        ("work: Where", "item: Stands at"),
    ),
    Item(
        "7.8.2.1 d", "unique identification, all pages part of it, its end marked",
        ("calibration.number", "issued_report.issue", "issued_report.digest"),
        ("number", "issue"),
    ),
    Item(
        "7.8.2.1 e", "name and contact of the customer",
        ("switch_revision.area_id", "area.name", "site_particulars.customer_name",
         "site_particulars.customer_address"),
        ("item: Customer",),
    ),
    Item(
        "7.8.2.1 f", "the method",
        ("procedure_revision.title", "procedure_revision.revision", "procedure_step.text"),
        ("work: Method",),
    ),
    Item(
        "7.8.2.1 g", "the item: description, identification, where needed its condition",
        ("switch.tag", "switch_revision.serial", "switch_revision.family", "calibration.remarks",
         "calibration_finding.text", "switch_receipt.condition"),
        ("item: Tag", "item: Item", "item: Serial number", "item: Adjustable range", "remarks"),
    ),
    Item(
        "7.8.2.1 h", "when the item was received, where that is critical",
        ("switch_receipt.received_on", "switch_receipt.received_by_id"), ("item: Received",),
    ),
    Item(
        "7.8.2.1 i", "when the work was done", ("calibration.performed_on",),
        ("work: Performed on",),
    ),
    Item(
        "7.8.2.1 j", "when the report was issued",
        ("issued_report.recorded_at", "issued_report.recorded_by", "issued_report.audit_head"),
        ("work: Report issued on", "issue"),
    ),
    Item(
        "7.8.2.1 k", "sampling, where it bears on the result",
        gap="Sampling",
    ),
    Item("7.8.2.1 l", "that the results relate only to the items", printed=("statements",)),
    Item(
        "7.8.2.1 m", "results with their units",
        ("calibration_result.found", "calibration_result.error", "calibration_result.dead_band",
         "calibration_result.unit"),
        ("unit", "results.required", "results.found", "results.error", "results.dead_band",
         "results.repeatability"),
    ),
    Item(
        "7.8.2.1 n", "additions to, deviations and exclusions from the method",
        ("calibration_finding.code", "calibration_finding.text",
         "calibration.exercised_before_as_found"),
        ("work: Exercised", "remarks"),
    ),
    Item(
        "7.8.2.1 o", "who authorises the report",
        ("calibration.recorded_by", "review.reviewed_by_id", "review.outcome"),
        ("signatures: Signed by", "signatures: Reviewed by", "work: Report issued on"),
    ),
    Item(
        "7.8.2.1 p", "results from others marked as such",
        ("certificate.laboratory_id", "laboratory.kind", "calibration.origin"),
        ("standards.made_by", "status"),
    ),
    # calibration reports
    Item(
        "7.8.4.1 a", "measurement uncertainty in the unit of the measurand",
        ("calibration_result.expanded_uncertainty", "calibration_result.coverage_factor",
         "calibration_result.coverage_probability"),
        ("results.U", "results.k", "unit", "uncertainty"),
    ),
    Item(
        "7.8.4.1 b", "conditions that influence the result",
        ("calibration.temperature_c", "calibration.humidity", "calibration.barometric",
         "calibration_cycle.static"),
        ("work: Room", "readings"),
    ),
    Item(
        "7.8.4.1 c", "how the results are metrologically traceable",
        ("calibration_gauge.certificate_id", "certificate.laboratory_id", "accreditation.number"),
        ("traceability", "standards.certificate", "standards.made_by", "standards.dates"),
    ),
    Item(
        "7.8.4.1 d", "results before and after an adjustment",
        ("calibration_result.phase", "calibration.adjusted", "calibration.adjustment_note"),
        ("results.phase", "adjustment"),
    ),
    Item(
        "7.8.4.1 e", "conformity with requirements", ("calibration_result.verdict",),
        ("results.verdict", "decisions"),
    ),
    Item(
        "7.8.4.1 f", "opinions and interpretations, where there are any",
        gap="Opinions and interpretations",
    ),
    Item("7.8.4.2", "where the laboratory did the sampling", gap="Sampling"),
    Item("7.8.4.3", "no recommendation on the interval unless agreed: none is printed",
         ("interval_policy.every",)),
    # statements of conformity
    Item(
        "7.8.6.1", "the decision rule, with its level of risk, documented and applied",
        ("procedure_revision.decision_rule", "procedure_revision.guard_factor",
         "procedure_revision.conformance_probability", "calibration_result.decision_rule",
         "calibration_result.probability_outside"),
        ("decisions",),
    ),
    Item(
        "7.8.6.2 a", "to which results the statement applies",
        ("calibration_result.set_point_id", "calibration_result.phase"),
        ("results.set_point", "results.phase", "decisions"),
    ),
    Item(
        "7.8.6.2 b", "which requirements are met or not met",
        ("calibration_result.lower_limit", "calibration_result.upper_limit",
         "set_point.tolerance_minus", "set_point.tolerance_plus", "set_point.tolerance_basis"),
        ("results.limits", "results.verdict", "item: Data sheet"),
    ),
    Item(
        "7.8.6.2 c", "the decision rule applied", ("calibration_result.rule_statement",),
        ("decisions",),
    ),
]  # fmt: skip


def lettered(clause: str, last: str) -> set[str]:
    return {f"{clause} {chr(c)}" for c in range(ord("a"), ord(last) + 1)}


def test_every_item_of_the_clauses_is_here_once() -> None:
    wanted = (
        lettered("6.4.13", "h") | {"7.5.1", "7.5.2"} | lettered("7.8.2.1", "p")
        | lettered("7.8.4.1", "f") | {"7.8.4.2", "7.8.4.3"} | {"7.8.6.1"} | lettered("7.8.6.2", "c")
    )  # fmt: skip
    found = [item.clause for item in ITEMS]
    assert len(found) == len(set(found))
    assert set(found) == wanted


@pytest.mark.parametrize("item", ITEMS, ids=str)
def test_an_item_is_stored_in_a_column_there_is(item: Item) -> None:
    assert item.stored or item.printed or item.gap, "it must stand somewhere, or be owned up to"
    for place in item.stored:
        table, column = place.split(".")
        assert table in Base.metadata.tables, place
        assert column in Base.metadata.tables[table].columns, place
    if item.clause.startswith("7.8.") and item.stored and item.clause != "7.8.4.3":
        assert item.printed, "what a report must say is printed"


@pytest.fixture(scope="module")
def data(demo_site: Path) -> dict[str, Any]:
    with read_settings(demo_site).reading() as session:
        facts = report_facts(session, "PDSL-4104", issued_on=date(2026, 11, 25))
    # with everything told that can be, reviewed and issued: what the report says then
    day = facts.issued_on
    gauge = rec.GaugeParticulars("", day, maker="M", model="N", software_version="1.0")
    return report_data(
        replace(
            facts,
            shop=rec.SiteParticulars(day, "S", "Address", "C", "Address"),
            particulars=rec.SwitchParticulars("PDSL-4104", day, "M", "N", "platform 2"),
            receipt=rec.SwitchReceipt("PDSL-4104", day, "P02", "whole"),
            gauges=tuple(replace(g, particulars=gauge) for g in facts.gauges),
            states=(
                *facts.states,
                rec.ReportState("reviewed", facts.calibration.recorded_at, "P06"),
            ),
            issue=rec.ReportIssue(2, "P06", "issue 1 of 2026-11-20", "why"),
        )
    )


def said(data: dict[str, Any], place: str) -> object:
    """What the report says at ``part``, ``part: label`` or ``part.column``."""
    if ": " in place:
        part, label = place.split(": ")
        return dict(data[part]).get(label)
    if "." in place:
        part, column = place.split(".")
        return all(row[column] for row in data[part]) and data[part]
    return data[place]


@pytest.mark.parametrize("item", [i for i in ITEMS if i.printed], ids=str)
def test_an_item_is_printed(item: Item, data: dict[str, Any]) -> None:
    for place in item.printed:
        assert said(data, place), place


def test_the_template_prints_all_that_it_is_given(data: dict[str, Any]) -> None:
    from calfleet.adapters.documents import calibration_report

    template = Path(calibration_report.__file__).with_suffix(".typ").read_text(encoding="utf-8")
    for part, value in data.items():
        assert f"d.{part}" in template, part
        if isinstance(value, list) and value and isinstance(value[0], dict):
            name = {"results": "r", "standards": "s"}[part]
            for column in value[0]:
                assert f"{name}.{column}" in template, f"{part}.{column}"


def test_what_is_left_as_a_gap_is_of_no_use_here() -> None:
    """Each is told with why: nothing is sampled, no opinion is given, no material is a standard."""
    gaps = {item.gap for item in ITEMS if item.gap}
    assert gaps == {"Reference materials", "Sampling", "Opinions and interpretations"}


def test_every_gap_is_told_to_the_auditor() -> None:
    text = " ".join(AUDITOR.read_text(encoding="utf-8").split())
    for item in ITEMS:
        if item.gap:
            assert item.gap in text, item.clause
