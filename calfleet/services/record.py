"""Recording a calibration: every rule checked, every figure computed, then one fact added.

``judge`` decides and computes and writes nothing; ``record`` adds what was judged. History that a
site brings along is judged by the same rules, but what would be refused at the bench is kept with
a finding that says so: it happened.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING

from calfleet.errors import (
    BadQuantity,
    CalfleetError,
    DateRefused,
    GaugeRefused,
    PersonRefused,
    ProcedureRefused,
    ReadingRefused,
    RecordRefused,
    Refused,
    UnknownName,
)
from calfleet.metrology.conformity import Verdict
from calfleet.metrology.evaluation import (
    EVALUATION_VERSION,
    Evaluation,
    GaugeUse,
    Method,
    evaluate,
)
from calfleet.metrology.rounding import cut_ratio, percent
from calfleet.metrology.switch import Cycle as SeenCycle
from calfleet.metrology.switch import Outcome, SetPointSpec, Severity, plausibility
from calfleet.metrology.units import PressureMode, at_most, convert, convert_difference
from calfleet.records import (
    BenchRecord,
    Calibration,
    Certificate,
    Criticality,
    Cycle,
    CycleOutcome,
    Finding,
    Gauge,
    GaugeRole,
    GaugeStatus,
    GaugeUsed,
    Origin,
    Person,
    Phase,
    ProcedureRevision,
    Quantity,
    Result,
    Role,
    SetPoint,
    Switch,
    SwitchStatus,
)
from calfleet.services.bench_facts import BenchFacts, gather, in_force
from calfleet.services.choose_procedure import procedure_revision, require_current
from calfleet.services.fit_gauges import CurveCache, fit_gauges, judge_gauge
from calfleet.services.list_due import left_failed
from calfleet.services.measurands import gauge_spec, gauge_use, method, pooled_for, set_point_spec
from calfleet.services.nearest import nearest_names, pick
from calfleet.store.calibration_facts import add_calibration
from calfleet.store.queries import calibrations as calibration_queries
from calfleet.store.queries import due as due_queries
from calfleet.store.queries import switches as switch_queries
from calfleet.store.work import Work

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

IN_AS_LEFT_BAND = "inside as-left band"
IN_TOLERANCE = "inside tolerance"
OUT_OF_TOLERANCE = "out of tolerance"
NOT_JUDGED = "not judged"
COLDEST_C, HOTTEST_C = -50, 80
"""Beyond these no bench stands in a room: a typing error."""
STATIC_DEPARTURE = Fraction(1, 10)
"""A static pressure that departs from the nominal one by more than this share is remarked on."""


@dataclass
class Context:
    """What a judgement needs besides the bench record itself."""

    facts: BenchFacts
    switches: Mapping[str, Sequence[Switch]]
    performed: Mapping[str, Sequence[date]]
    corrects: date | None = None
    """The day of the record that is corrected, where one is."""
    corrected_uses: tuple[GaugeUsed, ...] = ()
    """The gauges of that record, each with role and certificate: they were used, fit or not."""
    cache: CurveCache = field(default_factory=CurveCache)


def context_for(session: Session, tag: str, *, replaces: str | None = None) -> Context:
    """The context for judging a calibration of ``tag``; the record it corrects is left out.

    Raises: UnknownName with the nearest tags.
    """
    tags = {t: t for t in switch_queries.tags(session)}
    tag = pick("switch", tag, tags)
    standing = {
        c.number: c.bench
        for c in calibration_queries.calibrations_of(session, tag)
        if c.replaced_by is None
    }
    days = {number: bench.performed_on for number, bench in standing.items()}
    corrects = None if replaces is None else days.pop(replaces, None)
    facts = gather(session)
    if replaces is not None:
        spread = due_queries.pooled_repeatability(session, without=replaces)
        facts = replace(facts, repeatability=spread)
    return Context(
        facts=facts,
        switches={tag: switch_queries.revisions(session, tag)},
        performed={tag: list(days.values())},
        corrects=corrects,
        corrected_uses=() if corrects is None else standing[replaces or ""].gauges,
    )


def judge(
    session: Session, bench: BenchRecord, *, today: date, at: datetime, recorded_by: str = ""
) -> Calibration:
    """The calibration judged from a bench record; nothing is written.

    Raises: UnknownName, DateRefused, PersonRefused, ProcedureRefused, GaugeRefused,
    ReadingRefused, RecordRefused, each naming the thing, the rule and the next step.
    """
    context = context_for(session, bench.tag, replaces=bench.replaces)
    if bench.replaces is not None:
        bench = _check_correction(session, bench)
    _refuse_twice(session, bench)
    made = judge_record(context, bench, today=today, at=at, recorded_by=recorded_by, strict=True)
    return replace(made, number=_next_number(session, made))


def record(work: Work, calibration: Calibration) -> Calibration:
    """``calibration`` as it was added; the caller commits.

    Raises: RecordRefused when its number is taken meanwhile.
    """
    made = replace(calibration, recorded_at=work.at, recorded_by=work.actor)
    add_calibration(work, made)
    return made


def judge_record(
    context: Context,
    bench: BenchRecord,
    *,
    today: date,
    at: datetime,
    recorded_by: str = "",
    strict: bool,
) -> Calibration:
    """The judged calibration; with ``strict`` a broken rule is raised, else it is a finding."""
    return _Judge(context, bench, today, strict).calibration(at, recorded_by)


class _Judge:
    """One judgement in the making: the findings gather here."""

    def __init__(self, context: Context, bench: BenchRecord, today: date, strict: bool) -> None:
        self.context = context
        self.today = today
        self.strict = strict
        self.findings: list[Finding] = []
        self.facts = context.facts
        if bench.tag not in context.switches:
            bench = replace(
                bench, tag=pick("switch", bench.tag, {tag: tag for tag in context.switches})
            )
        self.bench = bench

    def object_to(self, refusal: Refused | UnknownName) -> None:
        """Raise at the bench; for history keep the objection as a finding."""
        if self.strict:
            raise refusal
        text = f"{refusal.message} {refusal.rule}".strip()
        self.findings.append(Finding(_code(refusal), text))

    def note(self, code: str, text: str) -> None:
        self.findings.append(Finding(code, text))

    # --- the whole ---

    def calibration(self, at: datetime, recorded_by: str) -> Calibration:
        switch = self.switch()
        self.check_day()
        self.check_people(switch)
        procedure = self.procedure(switch)
        self.check_conditions(procedure)
        used = self.gauges(switch)
        self.check_cycles(switch, procedure, used)
        results = [
            self.result(switch, procedure, used, point, phase, cycles)
            for point in switch.set_points
            for phase in Phase
            if (cycles := self.cycles(point.label, phase))
        ]
        self.check_completeness(switch, procedure, results)
        return Calibration(
            number=self.bench.number or "",
            # the number stands once, and codes stand as recorded: what is read back is equal
            bench=replace(
                self.bench,
                number=None,
                procedure=procedure.code,
                gauges=tuple(
                    GaugeUsed(role, gauge.code, certificate.number)
                    for role, (gauge, certificate) in used.items()
                ),
            ),
            switch_revision=switch.revision,
            results=tuple(results),
            findings=tuple(self.findings),
            origin=Origin.BENCH if self.strict else Origin.HISTORY,
            evaluation_version=EVALUATION_VERSION,
            recorded_at=at,
            recorded_by=recorded_by,
        )

    # --- the rules, one by one ---

    def switch(self) -> Switch:
        revisions = self.context.switches[self.bench.tag]
        switch = in_force(revisions, self.bench.performed_on)
        if switch is None:
            raise DateRefused(
                f"{self.bench.tag} has no data sheet in force on {self.bench.performed_on}.",
                rule=f"Its first data sheet takes effect on {revisions[0].effective_on}.",
                next_step="Check the date of the calibration.",
            )
        if switch.status is SwitchStatus.SCRAPPED:
            self.object_to(
                RecordRefused(
                    f"{switch.tag} is scrapped since {switch.effective_on}.",
                    rule="A scrapped switch is not calibrated.",
                    next_step="Check the tag on the switch.",
                )
            )
        return switch

    def check_day(self) -> None:
        done = self.bench.performed_on
        if done > self.today:
            raise DateRefused(
                f"The calibration is dated {done}, which is after today, {self.today}.",
                rule="A record tells what has been done.",
                next_step="Check the date.",
            )
        days = self.context.performed.get(self.bench.tag, ())
        corrects = self.context.corrects
        if corrects is None:
            later = [d for d in days if d > done]
            if later:
                self.object_to(
                    DateRefused(
                        f"The calibration is dated {done}, but {self.bench.tag} has one of "
                        f"{max(later)} already.",
                        rule="Calibrations of a switch are entered in the order of their days.",
                        next_step="Check the date; to correct an earlier record name it with "
                        "'replaces'.",
                    )
                )
            return
        passed = [d for d in days if min(done, corrects) < d < max(done, corrects)]
        if passed:
            self.object_to(
                DateRefused(
                    f"The correction moves the calibration from {corrects} to {done}, past the "
                    f"one of {passed[0]}.",
                    rule="A correction keeps the order of a switch's calibrations.",
                    next_step="Check the date, and the number of the record it corrects.",
                )
            )

    def check_people(self, switch: Switch) -> None:
        self._check_performer(switch, self._person(self.bench.performed_by))
        for code in (self.bench.returned_by, self.bench.verified_by):
            if code is not None:
                self._person(code)
        if self.bench.verified_by is not None and self.bench.verified_by in (
            self.bench.performed_by,
            self.bench.returned_by,
        ):
            raise PersonRefused(
                f"{self.bench.verified_by} verified their own return to service.",
                rule="A second person verifies the return to service.",
                next_step="Name the person who checked it, or leave it empty until it is checked.",
            )

    def _check_performer(self, switch: Switch, person: Person) -> None:
        on = self.bench.performed_on
        if not person.holds(Role.TECHNICIAN, on):
            self.object_to(
                PersonRefused(
                    f"{person.code} ({person.name}) is not a technician on {on}.",
                    rule="Calibrations are performed by technicians.",
                    next_step="Name the technician who did it.",
                )
            )
        elif person.qualification(switch.quantity, on) is None:
            self.object_to(unqualified(person, switch.quantity, on, self.facts.people.values()))

    def _person(self, code: str) -> Person:
        if code not in self.facts.people:
            # a person who cannot be named cannot stand behind a record, history or not
            raise UnknownName(
                "person",
                code,
                nearest_names(code, self.facts.people),
                next_step="'calfleet people' lists them.",
            )
        return self.facts.people[code]

    def procedure(self, switch: Switch) -> ProcedureRevision:
        code, number = self.bench.procedure, self.bench.procedure_revision
        try:
            found = require_current(
                self.facts.procedures, code, number, switch.quantity, self.bench.performed_on
            )
        except ProcedureRefused as refusal:
            self.object_to(refusal)
            found = procedure_revision(self.facts.procedures, code, number, self.bench.performed_on)
        if found.code != switch.procedure:
            self.object_to(
                ProcedureRefused(
                    f"{switch.tag} is calibrated by procedure {switch.procedure}, not "
                    f"{found.code}.",
                    rule="The data sheet names the procedure.",
                    next_step=f"Work to {switch.procedure}, or have the data sheet revised.",
                )
            )
        return found

    def check_conditions(self, procedure: ProcedureRevision) -> None:
        t, h = self.bench.temperature_c, self.bench.humidity
        if not COLDEST_C <= t <= HOTTEST_C:
            raise BadQuantity(
                f"A room temperature of {t} °C.",
                rule=f"A room has {COLDEST_C} to {HOTTEST_C} °C.",
                next_step="Correct it.",
            )
        if not 0 <= h <= 1:
            raise BadQuantity(
                f"A relative humidity of {h}.",
                rule="Humidity is a fraction from 0 to 1, for example 0.45 for 45 %.",
                next_step="Correct it.",
            )
        if not procedure.temperature_min_c <= t <= procedure.temperature_max_c:
            self.note(
                "environment",
                f"Room temperature {t} °C is outside the limits of {procedure.name}, "
                f"{procedure.temperature_min_c} to {procedure.temperature_max_c} °C.",
            )
        if h > procedure.humidity_max:
            self.note(
                "environment",
                f"Humidity {percent(h)} % is above the limit of {procedure.name}, "
                f"{percent(procedure.humidity_max)} %.",
            )

    def gauges(self, switch: Switch) -> dict[GaugeRole, tuple[Gauge, Certificate]]:
        named = {used.role: used for used in self.bench.gauges}
        if GaugeRole.OPERATING not in named:
            raise GaugeRefused(
                "No operating gauge is named.",
                rule="Every reading was taken on a reference gauge.",
                next_step=f"'calfleet gauges --for {switch.tag}' lists those that would do.",
            )
        operating = self._gauge(switch, GaugeRole.OPERATING, named[GaugeRole.OPERATING])
        found = {GaugeRole.OPERATING: operating}
        if GaugeRole.STATIC in named:
            same = named[GaugeRole.STATIC].gauge.casefold() == operating[0].code.casefold()
            found[GaugeRole.STATIC] = (
                operating
                if same
                else self._gauge(switch, GaugeRole.STATIC, named[GaugeRole.STATIC])
            )
        return found

    def _gauge(self, switch: Switch, role: GaugeRole, used: GaugeUsed) -> tuple[Gauge, Certificate]:
        on = self.bench.performed_on
        gauge = in_force(self.facts.gauges.get(used.gauge, ()), on)
        if gauge is None:
            known = {
                code: version
                for code, revisions in self.facts.gauges.items()
                if (version := in_force(revisions, on)) is not None
            }
            gauge = pick("gauge", used.gauge, known, next_step="'calfleet gauges' lists them.")
        held = self.facts.certificate_on(gauge.code, on)
        named = self.facts.certificates.get(used.certificate) if used.certificate else held
        if named is None or named.gauge != gauge.code:
            raise GaugeRefused(
                f"{gauge.code} has no certificate {used.certificate or f'on {on}'}.",
                rule="A gauge is used on the strength of a certificate of its own.",
                next_step=f"'calfleet certificates {gauge.code}' lists them."
                + self._would_do(switch),
            )
        if held is not None and named.number != held.number:
            self._object_to_use(
                role,
                gauge,
                named,
                GaugeRefused(
                    f"Certificate {named.number} of {gauge.code} was not the one in force on "
                    f"{on}; {held.number} was.",
                    rule="A result rests on the certificate in force on its day.",
                    next_step=f"Name {held.number}, or leave the certificate out.",
                ),
            )
        reasons = self._objections(switch, role, gauge, named)
        if reasons:
            self._object_to_use(
                role,
                gauge,
                named,
                GaugeRefused(
                    f"{gauge.code} cannot be used for {switch.tag} on {on}: {'; '.join(reasons)}.",
                    rule="A reference gauge is in service, in date, in range and good enough.",
                    next_step=self._would_do(switch).strip(),
                ),
            )
        return gauge, named

    def _object_to_use(
        self, role: GaugeRole, gauge: Gauge, certificate: Certificate, refusal: GaugeRefused
    ) -> None:
        """Object, unless the record corrected says the same of that day: then it is a finding.

        The gauge was read, whatever is known of it since; a correction must be able to say so.
        """
        same_day = self.context.corrects == self.bench.performed_on
        used = GaugeUsed(role, gauge.code, certificate.number)
        if same_day and used in self.context.corrected_uses:
            self.note(_code(refusal), f"{refusal.message} {refusal.rule}".strip())
        else:
            self.object_to(refusal)

    def _objections(
        self, switch: Switch, role: GaugeRole, gauge: Gauge, certificate: Certificate
    ) -> list[str]:
        on = self.bench.performed_on
        if role is GaugeRole.OPERATING:
            # of history the ratio is known from its readings; the expected one says nothing more
            option = judge_gauge(
                gauge.code, switch, self.facts, on, None, expected=self.strict,
                cache=self.context.cache,
            )  # fmt: skip
            return list(option.reasons)
        reasons = []
        if gauge.status is not GaugeStatus.IN_SERVICE:
            reasons.append(f"{gauge.status} since {gauge.effective_on}")
        if gauge.mode not in (PressureMode.GAUGE, PressureMode.ABSOLUTE):
            reasons.append("a static pressure is read on a gauge-pressure gauge")
        if self.facts.valid_until(certificate) < on:
            until = self.facts.valid_until(certificate)
            reasons.append(f"overdue since {until} (certificate {certificate.number})")
        unfit = self.facts.found_unfit(gauge.code, on, certificate)
        if unfit is not None:
            reasons.append(
                f"found bad on {unfit.found_on} ({unfit.kind}, {unfit.event}), not calibrated since"
            )
        return reasons

    def _would_do(self, switch: Switch) -> str:
        if not self.strict:
            return ""
        usable = [
            o.gauge.code
            for o in fit_gauges(switch, self.facts, self.bench.performed_on)
            if o.usable
        ]
        return f" Would do on that day: {', '.join(usable) or 'none'}."

    def cycles(self, label: str, phase: Phase) -> list[Cycle]:
        return [c for c in self.bench.cycles if c.set_point == label and c.phase is phase]

    def check_cycles(
        self,
        switch: Switch,
        procedure: ProcedureRevision,
        used: dict[GaugeRole, tuple[Gauge, Certificate]],
    ) -> None:
        labels = [p.label for p in switch.set_points]
        for cycle in self.bench.cycles:
            if cycle.set_point not in labels:
                raise UnknownName(
                    f"set point of {switch.tag}",
                    cycle.set_point,
                    nearest_names(cycle.set_point, labels) or labels,
                )
        if not self.bench.cycles:
            raise ReadingRefused(
                "The record holds no readings.",
                rule="A calibration is its readings.",
                next_step="Enter the cycles.",
            )
        operating = used[GaugeRole.OPERATING][0]
        line = bool(switch.static_nominal) and operating.mode is not PressureMode.DIFFERENTIAL
        without = [c for c in self.bench.cycles if c.static is None]
        first_runs_without = [c for c in without if c.run == 1]
        if line and first_runs_without:
            self.object_to(
                ReadingRefused(
                    f"{switch.tag} has a static pressure of {switch.static_nominal} "
                    f"{switch.line_unit}, but no static reading was entered.",
                    rule="With one gauge and a locked low side the static pressure is read first.",
                    next_step="Enter the static reading of each run.",
                )
            )
        if line and switch.line_unit is not None:
            self._check_static(switch, used)
        if not switch.static_nominal and any(c.static for c in self.bench.cycles):
            self.note(
                "static pressure",
                f"A static pressure was applied, though {switch.tag} has none on its data sheet.",
            )

    def _check_static(
        self, switch: Switch, used: dict[GaugeRole, tuple[Gauge, Certificate]]
    ) -> None:
        """The static pressure as read, not as the data sheet has it, plus range must fit."""
        reader = used.get(GaugeRole.STATIC, used[GaugeRole.OPERATING])[0]
        operating = used[GaugeRole.OPERATING][0]
        readings = sorted({c.static for c in self.bench.cycles if c.static is not None})
        if not readings or switch.line_unit is None:
            return
        span = [set_point_spec(switch, p) for p in switch.set_points]
        full = max(convert_difference(s.top, s.unit, operating.unit) for s in span)
        top = convert_difference(readings[-1], reader.unit, operating.unit) + full
        proof = switch.proof_pressure
        if top > operating.range_high or (
            proof is not None and top > convert_difference(proof, switch.line_unit, operating.unit)
        ):
            self.object_to(
                ReadingRefused(
                    f"Static {readings[-1]} {reader.unit} plus the full range of {switch.tag} is "
                    f"{float(top):.6g} {operating.unit}: more than {operating.code} "
                    f"({operating.range_high} {operating.unit}) or the switch (proof {proof} "
                    f"{switch.line_unit}) stands.",
                    rule="Static pressure plus full range fits gauge and proof pressure.",
                    next_step="Check the static reading; else use another gauge.",
                )
            )
        nominal = convert_difference(switch.static_nominal, switch.line_unit, reader.unit)
        for reading in (readings[0], readings[-1]):
            if abs(Fraction(reading) - nominal) > STATIC_DEPARTURE * abs(nominal):
                self.note(
                    "static pressure",
                    f"The static pressure {reading} {reader.unit} departs from the nominal "
                    f"{switch.static_nominal} {switch.line_unit} by more than a tenth.",
                )
                return

    def _check_plausible(self, switch: Switch, point: SetPoint, found: Evaluation) -> None:
        """A trip far outside what the switch can be set to is a reading mistyped or swapped."""
        low, high = self.context.cache.once.of(
            "reach", lambda: _reach(self._spec(switch, point)), switch, point
        )
        for run in found.runs:
            if run.trip is None:
                continue
            if not (at_most(low, run.trip) and at_most(run.trip, high)):
                self.object_to(
                    ReadingRefused(
                        f"{switch.tag} {point.label}, run {run.run}: the readings give a trip at "
                        f"{float(run.trip):.6g} {switch.unit}, far outside the switch's range "
                        f"{switch.range_low} to {switch.range_high} {switch.unit}.",
                        rule="A trip lies in or near the adjustable range.",
                        next_step="Check trip and static reading, and their units; a switch that "
                        "did not act has the outcome 'no trip'.",
                    )
                )

    def result(
        self,
        switch: Switch,
        procedure: ProcedureRevision,
        used: dict[GaugeRole, tuple[Gauge, Certificate]],
        point: SetPoint,
        phase: Phase,
        cycles: list[Cycle],
    ) -> Result:
        spec = self._spec(switch, point)
        operating = self._use(*used[GaugeRole.OPERATING])
        static = None
        if GaugeRole.STATIC in used and used[GaugeRole.STATIC] != used[GaugeRole.OPERATING]:
            static = self._use(*used[GaugeRole.STATIC])
        pooled = pooled_for(switch, self.facts.repeatability)
        barometric = self.barometric(switch, operating)
        seen = [
            SeenCycle(
                c.run,
                _exact(c.trip),
                _exact(c.reset),
                _exact(c.static),
                Outcome(c.outcome),
            )
            for c in cycles
        ]
        try:
            found = evaluate(
                spec,
                seen,
                operating,
                static,
                self._method(procedure, switch),
                phase=phase.value,
                pooled=pooled,
                barometric=barometric,
            )
        except Refused as refusal:
            place = f"{switch.tag} {point.label}, {phase}"
            raise type(refusal)(
                f"{place}: {refusal.message}",
                rule=refusal.rule,
                next_step=refusal.next_step,
            ) from refusal
        self._check_plausible(switch, point, found)
        set_up = self.context.cache.once.of(
            "set up",
            lambda: plausibility(
                spec,
                static=_line(switch),
                static_unit=switch.line_unit,
                proof_pressure=_proof(switch),
            ),
            switch,
            point,
        )
        for remark in (*found.remarks, *set_up):
            text = f"{point.label} {phase}: {remark.text}"
            if any(f.text == text for f in self.findings):
                continue
            if remark.severity is Severity.STOP:
                self.object_to(ReadingRefused(text, rule=remark.rule, next_step=remark.next_step))
            else:
                self.note(remark.code, text)
        return result_of(found, point, phase, switch, procedure)

    def barometric(self, switch: Switch, operating: GaugeUse) -> Fraction | None:
        """The barometric pressure in the switch's unit, where it was recorded.

        Raises: ReadingRefused where absolute and gauge pressure meet without it.
        """
        if (
            switch.quantity is not Quantity.TEMPERATURE
            and self.bench.barometric is not None
            and self.bench.barometric_unit is not None
        ):
            return convert(self.bench.barometric, self.bench.barometric_unit, switch.unit)
        modes = {operating.spec.mode, self._spec(switch, switch.set_points[0]).mode}
        if PressureMode.ABSOLUTE in modes and len(modes) > 1:
            raise ReadingRefused(
                f"{switch.tag}: absolute and gauge pressure meet, but no barometric pressure was "
                "recorded.",
                rule="Absolute pressure is gauge pressure plus the barometric pressure.",
                next_step="Enter the barometric pressure with its unit, or use an absolute gauge.",
            )
        return None

    def _spec(self, switch: Switch, point: SetPoint) -> SetPointSpec:
        make = self.context.cache.once.of
        return make("spec", lambda: set_point_spec(switch, point), switch, point)

    def _method(self, procedure: ProcedureRevision, switch: Switch) -> Method:
        if self.bench.head_height_m is not None:  # depends on the climate of the day too
            return method(procedure, switch, self.bench)
        return self.context.cache.once.of(
            "method", lambda: method(procedure, switch), procedure, switch
        )

    def _use(self, gauge: Gauge, certificate: Certificate) -> GaugeUse:
        curve = self.context.cache.curves.get(certificate.number)
        spec = self.context.cache.once.of("gauge", lambda: gauge_spec(gauge), gauge)
        use = gauge_use(
            gauge, certificate, self.bench.performed_on, float(self.bench.temperature_c), curve,
            spec,
        )  # fmt: skip
        self.context.cache.curves.setdefault(certificate.number, use.curve)
        return use

    def check_completeness(
        self, switch: Switch, procedure: ProcedureRevision, results: list[Result]
    ) -> None:
        for point in switch.set_points:
            found = self.cycles(point.label, Phase.AS_FOUND)
            if not found:
                self.note("no as-found data", f"{point.label} has no as-found readings.")
            self._runs(point, Phase.AS_FOUND, found, procedure.as_found_runs)
            left = self.cycles(point.label, Phase.AS_LEFT)
            if self.bench.adjusted and not left:
                self.object_to(
                    RecordRefused(
                        f"{switch.tag} {point.label} was adjusted, but has no as-left readings.",
                        rule="After an adjustment every set point is read again: one screw moves "
                        "the others too.",
                        next_step="Enter the as-left cycles.",
                    )
                )
            self._runs(point, Phase.AS_LEFT, left, procedure.as_left_runs)
        if left_failed((r.set_point, str(r.phase), r.verdict) for r in results):
            self.note(
                "left failed",
                f"{switch.tag} is left outside its limits: it stays due at once. Adjust or replace "
                "it and calibrate it again, or take it out of service; tell the owner of the "
                "function.",
            )
        if self.bench.exercised_before_as_found:
            self.note(
                "exercised first",
                "The switch was exercised before the as-found readings: the first trip is not "
                "what the plant would have had.",
            )
        if self.bench.adjusted and self.bench.exercise_cycles < procedure.exercise_cycles:
            self.note(
                "exercise",
                f"Exercised {self.bench.exercise_cycles} times; {procedure.name} asks for "
                f"{procedure.exercise_cycles}.",
            )
        required = float(procedure.required_tur)
        for r in results:
            if r.tur is not None and r.tur < required and r.expanded_uncertainty is not None:
                self.note(
                    "ratio",
                    f"{r.set_point} {r.phase}: TUR {cut_ratio(r.tur, 2)}:1 is below the "
                    f"required {procedure.required_tur}:1.",
                )
        if switch.criticality is Criticality.SAFETY and self.bench.verified_by is None:
            self.note(
                "second person",
                f"{switch.tag} is a safety item and its return to service was not verified by a "
                "second person.",
            )

    def _runs(self, point: SetPoint, phase: Phase, cycles: list[Cycle], wanted: int) -> None:
        acted = all(c.outcome is CycleOutcome.TRIPPED for c in cycles)
        if cycles and acted and len(cycles) < wanted:
            self.note(
                "runs",
                f"{point.label} {phase}: {len(cycles)} runs; the procedure asks for {wanted}.",
            )


def able_people(people: Iterable[Person], quantity: Quantity, on: date) -> list[Person]:
    """The technicians qualified for ``quantity`` on ``on``, in the order given."""
    return [p for p in people if p.holds(Role.TECHNICIAN, on) and p.qualification(quantity, on)]


def unqualified(
    person: Person, quantity: Quantity, on: date, people: Iterable[Person]
) -> PersonRefused:
    """The refusal of a technician without a qualification that day, naming who has one."""
    held = [q for q in person.qualifications if q.quantity is quantity and q.expires_on < on]
    last = max(held, key=lambda q: q.expires_on, default=None)
    state = f"the last one expired on {last.expires_on}" if last else "none is recorded"
    able = ", ".join(p.code for p in able_people(people, quantity, on))
    return PersonRefused(
        f"{person.code} ({person.name}) is not qualified for {quantity} switches on {on}: {state}.",
        rule="The technician holds a qualification for the quantity that day.",
        next_step=f"Qualified on that day: {able or 'nobody'}.",
    )


def result_of(
    found: Evaluation, point: SetPoint, phase: Phase, switch: Switch, procedure: ProcedureRevision
) -> Result:
    """The stored form of an evaluation."""
    f = found.found
    sample = f.sample
    return Result(
        set_point=point.label,
        phase=phase,
        unit=switch.unit,
        required=point.value,
        found=_double(f.mean_trip),
        first_trip=_double(f.first_trip),
        error=_double(f.error),
        late=f.late,
        dead_band=_double(f.dead_band),
        repeatability=_double(f.repeatability),
        runs=0 if sample is None else sample.n,
        trip_sd=None if sample is None else sample.s,
        standard_uncertainty=found.budget.u_c,
        coverage_factor=found.budget.k,
        expanded_uncertainty=found.U,
        effective_dof=None if found.budget.nu_eff == float("inf") else found.budget.nu_eff,
        coverage_probability=float(procedure.coverage_probability),
        tur=found.tur,
        lower_limit=_double(found.lower),
        upper_limit=_double(found.upper),
        lower_acceptance=_double(found.acceptance_lower),
        upper_acceptance=_double(found.acceptance_upper),
        decision_rule=procedure.decision_rule,
        rule_statement=found.rule_text,
        verdict=found.verdict,
        category=_category(found, phase),
        reason=found.reason,
        probability_outside=found.specific_risk,
        budget=found.budget.to_plain(),
    )


def _category(found: Evaluation, phase: Phase) -> str:
    """How the state counts in history: a function that failed, out, inside, or well inside."""
    failures = [outcome for _, outcome in found.found.failures]
    if failures:
        return str(failures[0])
    if not found.judgements:
        return NOT_JUDGED
    if found.verdict is Verdict.FAIL or not found.verdict.accepted:
        return OUT_OF_TOLERANCE
    if phase is Phase.AS_FOUND and not found.within_as_left:
        return IN_TOLERANCE
    return IN_AS_LEFT_BAND


def _refuse_twice(session: Session, bench: BenchRecord) -> None:
    """The very same readings of a switch on a day are one calibration, however often entered."""
    for held in calibration_queries.calibrations_of(session, bench.tag.strip().upper()):
        same_day = held.bench.performed_on == bench.performed_on
        if same_day and held.replaced_by is None and held.bench.cycles == bench.cycles:
            if held.number == bench.replaces:
                continue
            raise RecordRefused(
                f"These readings of {held.bench.tag} are recorded already, as {held.number}.",
                rule="A calibration is recorded once.",
                next_step=f"'calfleet result {held.number}' shows it; to correct it name it with "
                "'replaces'.",
            )


def _check_correction(session: Session, bench: BenchRecord) -> BenchRecord:
    named = calibration_queries.calibration(session, bench.replaces or "")
    if named is None:
        raise UnknownName(
            "calibration",
            bench.replaces or "",
            nearest_names(bench.replaces or "", calibration_queries.numbers(session)),
            next_step=f"'calfleet history {bench.tag}' lists them.",
        )
    if named.bench.tag.casefold() != bench.tag.casefold():
        raise RecordRefused(
            f"{named.number} is a calibration of {named.bench.tag}, not of {bench.tag}.",
            rule="A correction replaces a record of the same switch.",
            next_step="Check the number and the tag.",
        )
    if named.replaced_by is not None:
        raise RecordRefused(
            f"{named.number} was corrected by {named.replaced_by} already.",
            rule="The newest record is the one to correct.",
            next_step=f"Name {named.replaced_by}.",
        )
    if not (bench.replacement_reason or "").strip():
        raise RecordRefused(
            f"The correction of {named.number} gives no reason.",
            rule="A correction names the record it replaces and why.",
            next_step="Enter the reason.",
        )
    return bench


def _next_number(session: Session, made: Calibration) -> str:
    """The next free number of the year of performance."""
    year = made.bench.performed_on.year
    place = calibration_queries.count_in_year(session, year)
    while True:
        place += 1
        number = f"C{year}-{place:04d}"
        if not calibration_queries.number_exists(session, number):
            return number


def _code(refusal: Refused | UnknownName) -> str:
    codes: dict[type[CalfleetError], str] = {
        GaugeRefused: "gauge",
        PersonRefused: "person",
        ProcedureRefused: "procedure",
        DateRefused: "date",
        ReadingRefused: "reading",
    }
    return codes.get(type(refusal), "rule")


def _reach(spec: SetPointSpec) -> tuple[Fraction, Fraction]:
    """Where a trip can lie at all: half a span around what the switch can be taken to."""
    margin = spec.span / 2
    return spec.bottom - margin, spec.top + margin


def _line(switch: Switch) -> Fraction | None:
    return Fraction(switch.static_nominal) if switch.quantity is not Quantity.TEMPERATURE else None


def _proof(switch: Switch) -> Fraction | None:
    return None if switch.proof_pressure is None else Fraction(switch.proof_pressure)


def _exact(value: Decimal | None) -> Fraction | None:
    return None if value is None else Fraction(*value.as_integer_ratio())


def _double(value: Fraction | None) -> float | None:
    return None if value is None else float(value)
