"""Adding bench sheets handed out, and what became of them."""

from __future__ import annotations

from sqlalchemy import select

from calfleet.errors import UnknownName
from calfleet.records import BenchSheet, BenchSheetReturn
from calfleet.store.facts import insert, known, site_id
from calfleet.store.models import (
    BenchSheetReturnRow,
    BenchSheetRow,
    CalibrationRow,
    ProcedureRevisionRow,
    ProcedureRow,
    SwitchRevisionRow,
    SwitchRow,
)
from calfleet.store.queries.papers import with_marks
from calfleet.store.work import Work


def add_bench_sheet(work: Work, sheet: BenchSheet) -> None:
    """Raises: UnknownName for a switch, a data sheet or a procedure revision that is not there."""
    switch_id = known(work, SwitchRow, "switch", sheet.tag, "tag")
    procedure_id = known(work, ProcedureRow, "procedure", sheet.procedure)
    revision_id = work.session.scalar(
        select(SwitchRevisionRow.id).where(
            SwitchRevisionRow.switch_id == switch_id,
            SwitchRevisionRow.revision == sheet.switch_revision,
        )
    )
    if revision_id is None:
        raise UnknownName("switch revision", f"{sheet.tag} rev {sheet.switch_revision}")
    procedure_revision_id = work.session.scalar(
        select(ProcedureRevisionRow.id).where(
            ProcedureRevisionRow.procedure_id == procedure_id,
            ProcedureRevisionRow.revision == sheet.procedure_revision,
        )
    )
    if procedure_revision_id is None:
        raise UnknownName("procedure revision", f"{sheet.procedure} rev {sheet.procedure_revision}")
    row = BenchSheetRow(
        site_id=site_id(work),
        number=sheet.number,
        switch_id=switch_id,
        switch_revision_id=revision_id,
        procedure_revision_id=procedure_revision_id,
        for_on=sheet.for_on,
        content=sheet.content,
        **work.marks(),
    )
    insert(work, row, "bench sheet", sheet.number, with_marks(sheet, work.at, work.actor))


def add_return(work: Work, returned: BenchSheetReturn) -> None:
    """Note which calibration a filled sheet became.

    Raises: UnknownName for a sheet or a calibration that is not there; RecordRefused for a sheet
    that came back before.
    """
    row = BenchSheetReturnRow(
        bench_sheet_id=known(work, BenchSheetRow, "bench sheet", returned.sheet, "number"),
        calibration_id=known(work, CalibrationRow, "calibration", returned.calibration, "number"),
        digest=returned.digest,
        **work.marks(),
    )
    insert(
        work, row, "bench sheet return", returned.sheet, with_marks(returned, work.at, work.actor)
    )
