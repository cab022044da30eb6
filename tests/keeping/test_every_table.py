"""A site in which no table is empty goes through an export and a backup, and nothing is lost."""

from __future__ import annotations

import hashlib
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest
from sqlalchemy import text

from calfleet import records as rec
from calfleet.services.verify import verify
from calfleet.site import SiteFolder, site_from_copy
from calfleet.store import (
    doubt_facts,
    moving_facts,
    paper_facts,
    particular_facts,
    people_facts,
    planning_facts,
    rule_facts,
    sheet_facts,
)
from calfleet.store.base import Base
from calfleet.store.queries import audit
from calfleet.store.work import Work

D = Decimal
DAY = date(2026, 11, 25)
LAST = date(2026, 12, 4)
CALIBRATION = "C2026-0145"
FILE = b"%PDF-1.7\n" + b"0" * 100
W = rec.Withdrawable


def everything(work: Work) -> None:
    """A record of each kind that the demo's own site has none of."""
    planning_facts.add_planning_input(
        work,
        rec.PlanningInput(
            due_rules=(rec.DueRule(rec.RuleScope.SITE, "", DAY, "kept", deferrals_allowed=1),),
            leaves=(rec.PersonLeave("P02", DAY, LAST, "Ü"),),
            closures=(rec.ShopClosure(DAY, LAST, 'Stocktaking, "all"'),),
        ),
    )
    planning_facts.withdraw(work, rec.PlanningWithdrawal(W.LEAVE, "P02", DAY, LAST, "ill\nsooner"))
    rule_facts.add_further_interval(work, rec.FurtherInterval("PDSL-4104", "diaphragm", "R24", DAY))
    rule_facts.add_other_work(work, rec.OtherWork("PDSL-4104", "diaphragm", DAY, "P02", "new"))
    plan = rec.Plan(
        "PL2026-001", DAY, date(2026, 11, 23), 4, None, {"a": 1}, {"b": [1.5]},
        (rec.PlanAssignment("PDSL-4104", LAST, date(2026, 11, 30), "P02", "RG-202", True, "x"),),
    )  # fmt: skip
    planning_facts.add_plan(work, plan)
    planning_facts.accept_plan(work, plan, "P01")

    event = rec.GaugeEvent(
        "E2026-001", "RG-202", rec.FoundBadKind.AS_FOUND, DAY, "P02", "SHOP-26-005", "kPa",
        (rec.ErrorPoint(D("1000.0"), D("1.50")),), "fell",
    )  # fmt: skip
    doubt_facts.add_event(work, event)
    doubt_facts.add_notice(work, rec.EventNotice("E2026-001", "the shift", DAY, "P02"))
    doubt_facts.add_disposition(
        work, rec.Disposition("E2026-001", CALIBRATION, 1, rec.Action.ASSESS, "look", "P05", DAY)
    )
    doubt_facts.add_closure(work, rec.EventClosure("E2026-001", "P05", DAY, "dealt with"))
    doubt_facts.add_cross_check(
        work,
        rec.CrossCheck(
            "X2026-001", "RG-202", "SHOP-26-005", "RG-201", "SHOP-26-004", DAY, "P02", "kPa",
            (rec.CrossCheckPoint(D("100.0"), D("100.10"), D("0.5"), D("0.20")),), "",
        ),
    )  # fmt: skip

    paper_facts.add_draft(work, rec.Draft("D2026-0001", "PDSL-4104", {"tag": "PDSL-4104"}))
    paper_facts.add_signature(work, rec.DraftSigned("D2026-0001", CALIBRATION))
    paper_facts.add_review(work, rec.Review(CALIBRATION, 1, rec.ReviewOutcome.ACCEPTED, "P06", DAY))
    digest = hashlib.sha256(FILE).hexdigest()
    paper_facts.add_attachment(
        work,
        rec.Attachment(
            rec.AttachedTo.CALIBRATION, CALIBRATION, digest, len(FILE), "application/pdf", "a.pdf"
        ),
    )
    paper_facts.add_issued_report(
        work, rec.IssuedReport(CALIBRATION, 1, "d4" * 32, 2**33, 2, "e5" * 32)
    )
    sheet_facts.add_bench_sheet(
        work, rec.BenchSheet("B2026-0001", "PDSL-4104", 1, "DP-STAT", 2, DAY, {"Δ": None})
    )
    sheet_facts.add_return(work, rec.BenchSheetReturn("B2026-0001", CALIBRATION, "ab" * 32))

    particular_facts.add_gauge_particulars(
        work, rec.GaugeParticulars("RG-202", DAY, software_version="2.10", kept_at="shelf 3")
    )
    particular_facts.add_switch_particulars(
        work, rec.SwitchParticulars("PDSL-4104", DAY, stands_at="level 2")
    )
    particular_facts.add_site_particulars(work, rec.SiteParticulars(DAY, shop_address="a\nb"))
    particular_facts.add_gauge_upkeep(
        work, rec.GaugeUpkeep("RG-202", rec.UpkeepKind.REPAIR, DAY, "P02", "seal")
    )
    particular_facts.add_switch_receipt(work, rec.SwitchReceipt("PDSL-4104", DAY, "P02", "dented"))
    moving_facts.add_move_in(
        work,
        rec.MoveIn(
            "M2026-001", (("a.xlsx", "ab" * 32),), {"tables": []}, {"added": {"gauge": 1}},
            (("gauge", "RG-202 rev 1", "a.xlsx, Gauges!4:4"),),
        ),
    )  # fmt: skip
    people_facts.add_role(work, rec.LaterRole("P02", rec.Role.REVIEWER, LAST, True))


def facts_of(site: SiteFolder) -> list[tuple[str, str, str]]:
    with site.reading() as session:
        found = verify(session, with_figures=False)
        assert found.differences == ()
        return sorted(audit.all_facts(session))


def test_no_table_is_left_behind(site: SiteFolder, tmp_path: Path) -> None:
    digest = hashlib.sha256(FILE).hexdigest()
    kept = site.attachments / digest[:2] / digest
    kept.parent.mkdir(parents=True, exist_ok=True)
    kept.write_bytes(FILE)
    with site.work(actor="P01", action="fill", subject="x") as work:
        everything(work)
        work.commit()
    engine = site.engine()
    with engine.connect() as connection:
        empty = [
            table.name
            for table in Base.metadata.sorted_tables
            if connection.execute(text(f"SELECT 1 FROM {table.name} LIMIT 1")).first() is None
        ]
    engine.dispose()
    assert empty == []

    before = facts_of(site)
    site.export(tmp_path / "export")
    packed, _ = site.backup(tmp_path / "b.zip")
    for copy, name in ((tmp_path / "export", "one"), (packed, "two")):
        made, found = site_from_copy(copy, tmp_path / name)
        assert found.differences == ()
        assert facts_of(made) == before


@pytest.mark.postgres
def test_nor_on_the_way_to_a_server(
    site: SiteFolder, empty_postgres_url: str, tmp_path: Path
) -> None:
    with site.work(actor="P01", action="fill", subject="x") as work:
        everything(work)
        work.commit()
    before = facts_of(site)
    site.export(tmp_path / "export")
    made, _ = site_from_copy(tmp_path / "export", tmp_path / "made", url=empty_postgres_url)
    assert facts_of(made) == before
