"""Adding facts: one function per kind of record, natural keys resolved, nothing ever changed.

Each takes the unit of work and a record and notes the fact for the audit entry. A reference to
something that is not there is an ``UnknownName``; what the database's constraints refuse comes
back as ``RecordRefused`` when the unit of work flushes.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

from sqlalchemy import select

from calfleet.errors import UnknownName
from calfleet.records import (
    Area,
    Certificate,
    Gauge,
    IntervalPolicy,
    Laboratory,
    Person,
    ProcedureRevision,
    Site,
    Switch,
)
from calfleet.store.models import (
    AccreditationRow,
    AreaRow,
    CertificatePointRow,
    CertificateRow,
    CertificateStandardRow,
    CertificateWithdrawalRow,
    GaugeRevisionRow,
    GaugeRow,
    IntervalPolicyRow,
    LaboratoryRow,
    PersonRoleRow,
    PersonRow,
    ProcedureHazardRow,
    ProcedureRevisionRow,
    ProcedureRow,
    ProcedureScopeRow,
    ProcedureStepRow,
    QualificationRow,
    SetPointRow,
    SiteRow,
    SwitchHazardRow,
    SwitchRevisionRow,
    SwitchRow,
)
from calfleet.store.work import Work


def add_site(work: Work, site: Site) -> None:
    row = SiteRow(code=site.code, name=site.name, **work.marks())
    insert(work, row, "site", site.code, site)


def add_area(work: Work, area: Area) -> None:
    row = AreaRow(site_id=site_id(work), code=area.code, name=area.name, **work.marks())
    insert(work, row, "area", area.code, area)


def add_person(work: Work, person: Person) -> None:
    row = PersonRow(
        site_id=site_id(work),
        code=person.code,
        name=person.name,
        roles=[
            PersonRoleRow(role=g.role, effective_on=g.effective_on, held=g.held, **work.marks())
            for g in person.roles
        ],
        qualifications=[
            QualificationRow(
                quantity=q.quantity,
                granted_on=q.granted_on,
                expires_on=q.expires_on,
                granted_by=q.granted_by,
                **work.marks(),
            )
            for q in person.qualifications
        ],
        **work.marks(),
    )
    insert(work, row, "person", person.code, person)


def add_laboratory(work: Work, laboratory: Laboratory) -> None:
    row = LaboratoryRow(
        site_id=site_id(work),
        code=laboratory.code,
        name=laboratory.name,
        kind=laboratory.kind,
        accreditations=[
            AccreditationRow(
                number=a.number,
                valid_from=a.valid_from,
                valid_until=a.valid_until,
                scope=a.scope,
                **work.marks(),
            )
            for a in laboratory.accreditations
        ],
        **work.marks(),
    )
    insert(work, row, "laboratory", laboratory.code, laboratory)


def add_policy(work: Work, policy: IntervalPolicy) -> None:
    row = IntervalPolicyRow(
        site_id=site_id(work),
        code=policy.code,
        effective_on=policy.effective_on,
        basis=policy.basis,
        every=policy.every,
        unit=policy.unit,
        end_of_month=policy.end_of_month,
        grace_fraction=policy.grace_fraction,
        grace_fraction_value=float(policy.grace_fraction),
        grace_days=policy.grace_days,
        note=policy.note,
        **work.marks(),
    )
    insert(work, row, "interval policy", f"{policy.code} from {policy.effective_on}", policy)


def add_procedure_revision(work: Work, procedure: ProcedureRevision) -> None:
    procedure_id = _identity(work, ProcedureRow, "code", procedure.code)
    row = ProcedureRevisionRow(
        procedure_id=procedure_id,
        revision=procedure.revision,
        title=procedure.title,
        approved_on=procedure.approved_on,
        approved_by=procedure.approved_by,
        effective_on=procedure.effective_on,
        exercise_cycles=procedure.exercise_cycles,
        as_found_runs=procedure.as_found_runs,
        as_left_runs=procedure.as_left_runs,
        ramp_limit_fraction_per_s=procedure.ramp_limit_fraction_per_s,
        temperature_min_c=procedure.temperature_min_c,
        temperature_max_c=procedure.temperature_max_c,
        humidity_max=procedure.humidity_max,
        required_tur=procedure.required_tur,
        decision_rule=procedure.decision_rule,
        guard_factor=procedure.guard_factor,
        coverage_probability=procedure.coverage_probability,
        coverage_probability_value=float(procedure.coverage_probability),
        conformance_probability=procedure.conformance_probability,
        reading_lag_s=procedure.reading_lag_s,
        static_hold_fraction=procedure.static_hold_fraction,
        scope=[ProcedureScopeRow(quantity=q) for q in procedure.quantities],
        hazards=[ProcedureHazardRow(hazard=h) for h in procedure.hazards],
        steps=[
            ProcedureStepRow(position=n, text=step) for n, step in enumerate(procedure.steps, 1)
        ],
        **work.marks(),
    )
    insert(work, row, "procedure revision", procedure.name, procedure)
    work.ids["procedure revision", procedure.code, procedure.revision] = row.id


def add_switch(work: Work, switch: Switch) -> None:
    switch_id = _identity(work, SwitchRow, "tag", switch.tag)
    row = SwitchRevisionRow(
        switch_id=switch_id,
        revision=switch.revision,
        effective_on=switch.effective_on,
        reason=switch.reason,
        serial=switch.serial,
        area_id=known(work, AreaRow, "area", switch.area),
        service=switch.service,
        family=switch.family,
        quantity=switch.quantity,
        unit=switch.unit,
        range_low=switch.range_low,
        range_high=switch.range_high,
        range_low_value=float(switch.range_low),
        range_high_value=float(switch.range_high),
        line_unit=switch.line_unit,
        proof_pressure=switch.proof_pressure,
        static_nominal=switch.static_nominal,
        medium=switch.medium,
        criticality=switch.criticality,
        outage_bound=switch.outage_bound,
        status=switch.status,
        policy=switch.policy,
        procedure_id=known(work, ProcedureRow, "procedure", switch.procedure),
        bench_minutes=switch.bench_minutes,
        hazards=[SwitchHazardRow(hazard=h) for h in switch.hazards],
        set_points=[
            SetPointRow(
                switch_id=switch_id,
                label=s.label,
                value=s.value,
                value_value=float(s.value),
                direction=s.direction,
                tolerance_minus=s.tolerance_minus,
                tolerance_plus=s.tolerance_plus,
                tolerance_basis=s.tolerance_basis,
                as_left_minus=s.as_left_minus,
                as_left_plus=s.as_left_plus,
                dead_band_kind=s.dead_band_kind,
                dead_band_min=s.dead_band_min,
                dead_band_max=s.dead_band_max,
                dead_band_min_value=double(s.dead_band_min),
                dead_band_max_value=double(s.dead_band_max),
                repeatability_limit=s.repeatability_limit,
                repeatability_limit_value=double(s.repeatability_limit),
                contact_form=s.contact_form,
                action=s.action,
                energised_state=s.energised_state,
            )
            for s in switch.set_points
        ],
        **work.marks(),
    )
    insert(work, row, "switch", f"{switch.tag} rev {switch.revision}", switch)
    work.ids["switch revision", switch.tag, switch.revision] = row.id
    for point in row.set_points:
        work.ids["set point", switch.tag, switch.revision, point.label] = point.id


def add_gauge(work: Work, gauge: Gauge) -> None:
    gauge_id = _identity(work, GaugeRow, "code", gauge.code)
    row = GaugeRevisionRow(
        gauge_id=gauge_id,
        revision=gauge.revision,
        effective_on=gauge.effective_on,
        reason=gauge.reason,
        serial=gauge.serial,
        description=gauge.description,
        status=gauge.status,
        mode=gauge.mode,
        unit=gauge.unit,
        range_low=gauge.range_low,
        range_high=gauge.range_high,
        range_low_value=float(gauge.range_low),
        range_high_value=float(gauge.range_high),
        resolution=gauge.resolution,
        resolution_value=float(gauge.resolution),
        accuracy=gauge.accuracy,
        accuracy_value=float(gauge.accuracy),
        accuracy_basis=gauge.accuracy_basis,
        drift_per_year=gauge.drift_per_year,
        temperature_coefficient=gauge.temperature_coefficient,
        reference_temperature_c=gauge.reference_temperature_c,
        use_corrections=gauge.use_corrections,
        tier=gauge.tier,
        policy=gauge.policy,
        oxygen_clean=gauge.oxygen_clean,
        same_gauge_correlation=gauge.same_gauge_correlation,
        static_limit=gauge.static_limit,
        readable_fraction=gauge.readable_fraction,
        **work.marks(),
    )
    insert(work, row, "gauge", f"{gauge.code} rev {gauge.revision}", gauge)
    work.ids["gauge revision", gauge.code, gauge.revision] = row.id


def add_certificate(work: Work, certificate: Certificate) -> None:
    replaces = certificate.replaces
    row = CertificateRow(
        site_id=site_id(work),
        number=certificate.number,
        gauge_id=known(work, GaugeRow, "gauge", certificate.gauge),
        laboratory_id=known(work, LaboratoryRow, "laboratory", certificate.laboratory),
        calibrated_on=certificate.calibrated_on,
        issued_on=certificate.issued_on,
        unit=certificate.unit,
        temperature_c=certificate.temperature_c,
        humidity=certificate.humidity,
        adjusted=certificate.adjusted,
        remarks=certificate.remarks,
        replaces_id=None
        if replaces is None
        else known(work, CertificateRow, "certificate", replaces, "number"),
        replacement_reason=certificate.replacement_reason,
        points=[
            CertificatePointRow(
                position=n,
                phase=p.phase,
                direction=p.direction,
                reference=p.reference,
                indication=p.indication,
                reference_value=float(p.reference),
                indication_value=float(p.indication),
                expanded_uncertainty=p.expanded_uncertainty,
                expanded_uncertainty_value=float(p.expanded_uncertainty),
                coverage_factor=p.coverage_factor,
                coverage_factor_value=float(p.coverage_factor),
            )
            for n, p in enumerate(certificate.points, 1)
        ],
        standards=[
            CertificateStandardRow(
                position=n,
                description=s.description,
                gauge_id=None if s.gauge is None else known(work, GaugeRow, "gauge", s.gauge),
                standard_certificate_id=None
                if s.certificate is None
                else known(work, CertificateRow, "certificate", s.certificate, "number"),
            )
            for n, s in enumerate(certificate.standards, 1)
        ],
        withdrawal=[]
        if certificate.withdrawal is None
        else [
            CertificateWithdrawalRow(
                withdrawn_on=certificate.withdrawal.withdrawn_on,
                reason=certificate.withdrawal.reason,
                **work.marks(),
            )
        ],
        **work.marks(),
    )
    # a withdrawal is a fact of its own: it may come long after the certificate
    insert(work, row, "certificate", certificate.number, replace(certificate, withdrawal=None))
    work.ids[CertificateRow, certificate.number] = row.id
    if certificate.withdrawal is not None:
        work.fact("certificate withdrawal", certificate.number, certificate.withdrawal)


# --- keys -------------------------------------------------------------------------------


def insert(work: Work, row: Any, kind: str, key: str, record: object) -> None:
    work.session.add(row)
    work.session.flush()
    work.ids[type(row), key] = row.id
    work.fact(kind, key, record)


def site_id(work: Work) -> int:
    """The key of the one site this database holds."""
    if ("site",) not in work.ids:
        found = work.session.scalar(select(SiteRow.id))
        if found is None:
            raise UnknownName("site", "", next_step="Build the site first: calfleet build.")
        work.ids["site",] = found
    return work.ids["site",]


def known(work: Work, row: type[Any], kind: str, key: str, column: str = "code") -> int:
    """The surrogate key of an existing row, by its natural key within the site."""
    if (row, key) not in work.ids:
        found = work.session.scalar(
            select(row.id).where(row.site_id == site_id(work), getattr(row, column) == key)
        )
        if found is None:
            raise UnknownName(kind, key)
        work.ids[row, key] = found
    return work.ids[row, key]


def person_or_none(work: Work, code: str | None) -> int | None:
    return None if code is None else known(work, PersonRow, "person", code)


def _identity(work: Work, row: type[Any], column: str, key: str) -> int:
    """The identity row of a revised thing, made when its first revision is added."""
    try:
        return known(work, row, "", key, column)
    except UnknownName:
        made = row(site_id=site_id(work), **{column: key}, **work.marks())
        work.session.add(made)
        work.session.flush()
        work.ids[row, key] = made.id
        return int(made.id)


def revision_key(
    work: Work,
    kind: str,
    row: type[Any],
    identity: type[Any],
    column: str,
    key: str,
    revision: int,
) -> int:
    """The surrogate key of revision number ``revision`` of the thing named ``key``."""
    if (kind, key, revision) not in work.ids:
        parent = known(work, identity, kind.split()[0], key, column)
        link = getattr(row, f"{kind.split()[0]}_id")
        found = work.session.scalar(select(row.id).where(link == parent, row.revision == revision))
        if found is None:
            raise UnknownName(kind, f"{key} rev {revision}")
        work.ids[kind, key, revision] = found
    return work.ids[kind, key, revision]


def double(value: Decimal | None) -> float | None:
    return None if value is None else float(value)
