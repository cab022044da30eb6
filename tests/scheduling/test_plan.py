"""Levelled plans: hard rules, reasons, the optimum by enumeration, published cases, stability."""

from __future__ import annotations

import itertools
import random
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from calfleet.errors import BadQuantity, RecordRefused
from calfleet.records import Criticality, Quantity
from calfleet.scheduling.calendar import Week, Window, WorkingCalendar, iso_week
from calfleet.scheduling.plan import make_plan
from calfleet.scheduling.plan_check import check_plan
from calfleet.scheduling.plan_model import (
    NO_GAUGE,
    Assignment,
    Cause,
    Fixed,
    GaugeAvailability,
    Method,
    Objective,
    Plan,
    PlanInput,
    PlanJob,
    PlanWorker,
    Recent,
    Skill,
    Unplanned,
    Weights,
)

P, DP, V = Quantity.PRESSURE, Quantity.DIFFERENTIAL, Quantity.VACUUM
MONDAY = date(2027, 1, 4)  # 2027-W01
ALWAYS = (Window(date(2020, 1, 1), date(2040, 1, 1)),)
CRITICALITY_FACTOR = {
    Criticality.SAFETY: 4,
    Criticality.ENVIRONMENT: 3,
    Criticality.PRODUCTION: 2,
    Criticality.GENERAL: 1,
}


def day(number: int) -> date:
    """Day ``number`` of the plan, 0 being its first Monday."""
    return MONDAY + timedelta(days=number)


def week(number: int) -> Week:
    return iso_week(day(7 * number))


def job(key: str, first: int = 0, last: int = 25, **how: object) -> PlanJob:
    """A job that is due on its last day, with days counted from the plan's first Monday."""
    values: dict[str, object] = {
        "tag": key,
        "due_on": day(last),
        "earliest_on": day(first),
        "latest_on": day(last),
        "minutes": 60,
        "area": "A",
        "quantity": P,
        "gauges": ("G1",),
        "interval_days": 365,
    }
    return PlanJob(key=key, **{**values, **how})  # type: ignore[arg-type]


def gauge(code: str = "G1", **how: object) -> GaugeAvailability:
    return GaugeAvailability(code, **{"valid": ALWAYS, **how})  # type: ignore[arg-type]


def person(
    code: str = "ann", *quantities: Quantity, minutes: int = 240, **how: object
) -> PlanWorker:
    skills = tuple(Skill(q) for q in quantities or (P,))
    return PlanWorker(code, skills, minutes, **how)  # type: ignore[arg-type]


def plan_of(*jobs: PlanJob, **how: object) -> tuple[PlanInput, Plan]:
    values: dict[str, object] = {
        "workers": (person(),),
        "gauges": (gauge(),),
        "calendar": WorkingCalendar(),
        "first": MONDAY,
        "weeks": 4,
    }
    asked = PlanInput(jobs=jobs, **{**values, **how})  # type: ignore[arg-type]
    made = make_plan(asked)
    assert check_plan(made, asked) == []
    return asked, made


def only_reason(*jobs: PlanJob, **how: object) -> Unplanned:
    _, made = plan_of(*jobs, **how)
    (unplanned,) = made.unplanned
    return unplanned


# --- a second opinion on the cost, from dates alone ---------------------------------------


def cost_by_hand(asked: PlanInput, assignments: tuple[Assignment, ...], dropped: set[str]) -> float:
    """The objective of a plan, written a second time from its description.

    ``dropped``: keys proven to have no place; they cost nothing and are not in the level.
    """
    w = asked.weights
    jobs = {j.key: j for j in asked.jobs}
    placed = {a.key: a for a in assignments}
    before = {a.key: a for a in asked.previous}
    working = [d for d in asked.days if asked.calendar.is_working(d)]
    total = 0.0
    minutes_in: Counter[Week] = Counter()
    person_week: Counter[tuple[str, Week]] = Counter()
    for key, j in jobs.items():
        if key in dropped:
            continue
        factor = CRITICALITY_FACTOR[j.criticality]
        if key not in placed:
            total += w.unplanned * factor
            continue
        a = placed[key]
        days = [
            d
            for d in working
            if iso_week(d) == a.week
            and j.earliest_on <= d <= j.latest_on
            and (j.outages is None or any(d in o for o in j.outages))
        ]
        in_date = [d for d in days if d <= j.due_on]
        if in_date:
            total += w.lost * j.minutes * (j.due_on - in_date[-1]).days / j.interval_days
        else:
            total += w.late_day * factor * (days[0] - j.due_on).days
        total += w.preference * j.gauges.index(a.gauge)
        old = before.get(key)
        if old is not None and old.week >= iso_week(asked.first):
            if old.week != a.week:
                total += w.moved_week
            elif (old.worker, old.gauge) != (a.worker, a.gauge):
                total += w.moved_hands
        minutes_in[a.week] += j.minutes
        person_week[a.worker, a.week] += j.minutes
    capacity = {
        (p.code, k): p.minutes_per_day
        * sum(1 for d in working if iso_week(d) == k and p.present_on(d))
        for p in asked.workers
        for k in asked.week_list
    }
    share = sum(j.minutes for k, j in jobs.items() if k not in dropped) / sum(capacity.values())
    for k in asked.week_list:
        level = share * sum(capacity[p.code, k] for p in asked.workers)
        total += w.above_level * max(0.0, minutes_in[k] - level)
    total += w.peak * max((n / capacity[key] for key, n in person_week.items()), default=0.0)
    total += w.area_visit * len({(jobs[a.key].area, a.week) for a in assignments})
    return total + w.gauge_setup * len({(a.gauge, a.week) for a in assignments})


def every_plan(asked: PlanInput, dropped: set[str]) -> Iterator[tuple[Assignment, ...]]:
    """Every plan without a broken rule, by trying all there are."""

    def static_on(j: PlanJob, g: GaugeAvailability, d: date) -> str | None:
        others = (s for s in asked.gauges if s.code in j.static_gauges and s is not g)
        return next((s.code for s in others if s.usable_on(d)), None)

    def places(j: PlanJob) -> list[Assignment | None]:
        found: list[Assignment | None] = [None]
        for k in asked.week_list:
            for p in asked.workers:
                for g in asked.gauges:
                    days = [
                        d
                        for d in asked.days
                        if iso_week(d) == k
                        and asked.calendar.is_working(d)
                        and j.earliest_on <= d <= j.latest_on
                        and (j.outages is None or any(d in o for o in j.outages))
                        and p.present_on(d)
                        and p.qualified_on(j.quantity, d)
                        and g.code in j.gauges
                        and g.usable_on(d)
                        and (not j.static_gauges or static_on(j, g, d))
                    ]
                    if days:
                        static = static_on(j, g, days[0]) if j.static_gauges else None
                        found.append(
                            Assignment(
                                j.key, j.tag, k, p.code, g.code, days[0], days[-1],
                                static_gauge=static,
                            )
                        )  # fmt: skip
        return found

    jobs = [j for j in asked.jobs if j.key not in dropped]
    for choice in itertools.product(*(places(j) for j in jobs)):
        placed = tuple(a for a in choice if a is not None)
        keys = {a.key for a in placed}
        left = tuple(
            Unplanned(j.key, j.tag, Cause.CAPACITY, "", proven=False)
            for j in asked.jobs
            if j.key not in keys
        )
        if not check_plan(shell(asked, placed, left), asked):
            yield placed


def shell(
    asked: PlanInput, placed: tuple[Assignment, ...], left: tuple[Unplanned, ...] = ()
) -> Plan:
    nothing = Objective(0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)
    return Plan(asked.first, asked.weeks, placed, left, (), nothing, 0.0, Method.EXACT)


# --- inputs of all kinds ------------------------------------------------------------------


@st.composite
def inputs(draw: st.DrawFn, most_jobs: int = 9, weeks: int = 5, hands: int = 3) -> PlanInput:
    days = 7 * weeks
    gauges = []
    for n in range(draw(st.integers(1, hands))):
        lapse = draw(st.integers(-3, days))
        away = draw(st.integers(0, days))
        gauges.append(
            gauge(
                f"G{n}",
                valid=(Window(day(-50), day(lapse)), Window(day(lapse + 9), day(days + 50))),
                away=(Window(day(away), day(away + draw(st.integers(0, 8)))),),
                minutes_per_day=draw(st.sampled_from([None, 60, 130])),
            )
        )
    people = []
    for n in range(draw(st.integers(1, hands))):
        away = draw(st.integers(0, days))
        skills = draw(st.lists(st.sampled_from([P, DP]), min_size=1, max_size=2, unique=True))
        ends = draw(st.integers(0, 2 * days))
        people.append(
            PlanWorker(
                f"w{n}",
                tuple(Skill(q, Window(day(-9), day(ends))) for q in skills),
                draw(st.sampled_from([0, 40, 90, 200])),
                (Window(day(away), day(away + draw(st.integers(0, 6)))),),
            )
        )
    codes = [g.code for g in gauges]
    jobs = []
    for n in range(draw(st.integers(0, most_jobs))):
        due = draw(st.integers(-4, days + 5))
        latest = due + draw(st.integers(0, 10))
        fixed = draw(st.none() | st.none() | st.integers(0, weeks).map(lambda k: Fixed(week(k))))
        outage = draw(st.integers(0, days))
        jobs.append(
            job(
                f"J{n}",
                tag=f"T{n // 2 if draw(st.booleans()) else n}",
                due_on=day(due),
                earliest_on=day(due - draw(st.integers(0, 20))),
                latest_on=day(latest),
                minutes=draw(st.sampled_from([20, 45, 90, 150])),
                area=draw(st.sampled_from("AB")),
                quantity=draw(st.sampled_from([P, P, DP])),
                gauges=tuple(draw(st.lists(st.sampled_from(codes), max_size=2, unique=True))),
                interval_days=draw(st.sampled_from([92, 365])),
                criticality=draw(st.sampled_from(list(Criticality))),
                redundant_group=draw(st.sampled_from([None, None, "R", "S"])),
                apart_weeks=draw(st.integers(0, 2)),
                outages=draw(st.none() | st.just((Window(day(outage), day(outage + 3)),))),
                fixed=fixed,
                static_gauges=tuple(
                    draw(st.just([]) | st.lists(st.sampled_from(codes), max_size=2, unique=True))
                ),
            )
        )
    recent = ()
    if draw(st.booleans()):
        recent = (Recent("R", "T99", week(draw(st.integers(-2, 1))), "w0", "G0"),)
    holidays = draw(st.frozensets(st.integers(0, days - 1).map(day), max_size=3))
    asked = {
        "jobs": tuple(jobs),
        "workers": tuple(people),
        "gauges": tuple(gauges),
        "calendar": WorkingCalendar(holidays, (Window(day(9), day(11)),)),
        "first": day(draw(st.integers(0, 3))),
        "weeks": weeks,
        "recent": recent,
    }
    try:
        return PlanInput(**asked)  # type: ignore[arg-type]
    except RecordRefused:
        assume(False)
        raise


@given(inputs(), st.sampled_from([0, 10_000]))
@settings(max_examples=150)
def test_a_plan_never_breaks_a_hard_rule(asked: PlanInput, exact_choices: int) -> None:
    made = make_plan(asked, exact_choices=exact_choices)
    assert check_plan(made, asked) == []
    assert made.bound <= made.objective.total * (1 + 1e-9) + 1e-6
    assert all(u.reason.endswith(".") for u in made.unplanned)
    hopeless = {u.key for u in made.unplanned if u.proven}
    again = cost_by_hand(asked, made.assignments, hopeless)
    assert made.objective.total == pytest.approx(again, rel=1e-9, abs=1e-6)
    assert made.load_sum == sum(j.minutes for j in asked.jobs) - sum(
        j.minutes for j in asked.jobs if j.key in {u.key for u in made.unplanned}
    )


@given(inputs(), st.randoms(use_true_random=False))
@settings(max_examples=40)
def test_the_order_of_the_input_does_not_matter(asked: PlanInput, dice: random.Random) -> None:
    def mixed(items: tuple[object, ...]) -> tuple[object, ...]:
        return tuple(dice.sample(items, len(items)))

    other = replace(
        asked,
        jobs=mixed(asked.jobs),
        workers=mixed(asked.workers),
        gauges=mixed(asked.gauges),
    )
    assert make_plan(asked) == make_plan(other) == make_plan(asked)


@given(inputs(most_jobs=9))
@settings(max_examples=60)
def test_planning_again_keeps_to_the_rules_and_counts_its_moves(asked: PlanInput) -> None:
    before = make_plan(asked)
    again = replace(asked, jobs=asked.jobs[1:], previous=before.assignments)
    made = make_plan(again)
    assert check_plan(made, again) == []
    moved = {m.key for m in made.moved}
    old = {a.key: (a.week, a.worker, a.gauge) for a in before.assignments}
    for a in made.assignments:
        assert (a.key in moved) == (a.key in old and old[a.key] != (a.week, a.worker, a.gauge))
    hopeless = {u.key for u in made.unplanned if u.proven}
    assert made.objective.total == pytest.approx(
        cost_by_hand(again, made.assignments, hopeless), rel=1e-9, abs=1e-6
    )


# --- against the optimum ------------------------------------------------------------------


@given(inputs(most_jobs=4, weeks=3, hands=2))
@settings(max_examples=60)
def test_small_plans_are_the_best_of_all_plans(asked: PlanInput) -> None:
    asked = replace(asked, jobs=tuple(replace(j, fixed=None) for j in asked.jobs))
    made = make_plan(asked, exact_choices=10_000)
    hopeless = {u.key for u in made.unplanned if u.proven}
    best = min(cost_by_hand(asked, plan, hopeless) for plan in every_plan(asked, hopeless))
    assert made.objective.total == pytest.approx(best, rel=1e-6, abs=1e-4)
    if len(hopeless) < len(asked.jobs):
        assert made.method is Method.EXACT
    assert made.gap <= 1e-5
    searched = make_plan(asked, exact_choices=0)
    assert searched.bound <= best + 1e-6
    assert searched.objective.total >= best - 1e-6
    # a job is never dropped to save something else
    assert searched.objective.unplanned >= made.objective.unplanned


@given(inputs(most_jobs=3, weeks=3, hands=2))
@settings(max_examples=40)
def test_what_is_proven_to_have_no_place_has_none_in_any_plan(asked: PlanInput) -> None:
    hopeless = {u.key for u in make_plan(asked).unplanned if u.proven}
    for key in hopeless:
        alone = replace(asked, jobs=tuple(j for j in asked.jobs if j.key == key))
        alone = replace(
            alone,
            jobs=tuple(
                replace(
                    j,
                    apart_weeks=max(
                        i.apart_weeks for i in asked.jobs if i.redundant_group == j.redundant_group
                    ),
                )
                for j in alone.jobs
            ),
        )
        assert [plan for plan in every_plan(alone, set()) if plan] == []


def machines(count: int, minutes: int = 200) -> tuple[PlanWorker, ...]:
    return tuple(person(f"w{n}", minutes=minutes) for n in range(count))


def makespan(made: Plan) -> int:
    return max(n for line in made.loads for _, n in line.by_worker)


def best_makespan(times: list[int], count: int) -> int:
    """The least possible longest sum, by trying every way to hand the work out."""
    best = sum(times)
    for way in itertools.product(range(count), repeat=len(times)):
        if way[0] == 0:
            sums = [0] * count
            for who, minutes in zip(way, times, strict=True):
                sums[who] += minutes
            best = min(best, max(sums))
    return best


def test_longest_first_reaches_but_never_exceeds_its_worst_case() -> None:
    # R. L. Graham, Bounds on multiprocessing timing anomalies, SIAM J. Appl. Math. 17 (1969):
    # longest processing time first is within 4/3 - 1/(3m) of the best; for m = 2 the times
    # 3, 3, 2, 2, 2 give 7 instead of 6, a ratio of 7/6. From memory; 6 and 7 recomputed.
    times = [300, 300, 200, 200, 200]
    jobs = tuple(job(f"J{n}", 0, 6, minutes=m) for n, m in enumerate(times))
    asked, exact = plan_of(*jobs, workers=machines(2), weeks=1)
    assert exact.method is Method.EXACT
    assert makespan(exact) == best_makespan(times, 2) == 600
    assert exact.objective.peak_share == pytest.approx(0.6)
    assert makespan(make_plan(asked, exact_choices=0)) <= 700 == 600 * Fraction(7, 6)


@pytest.mark.parametrize("count", [2, 3])
@pytest.mark.parametrize("seed", range(8))
def test_handing_out_work_is_within_grahams_bound(count: int, seed: int) -> None:
    # Graham 1969, ratio 4/3 - 1/(3m), from memory; the optimum by enumeration here.
    dice = random.Random(seed)
    times = [dice.randrange(20, 160) for _ in range(8)]
    jobs = tuple(job(f"J{n}", 0, 6, minutes=m) for n, m in enumerate(times))
    asked, exact = plan_of(*jobs, workers=machines(count), weeks=1)
    best = best_makespan(times, count)
    assert exact.method is Method.EXACT
    assert makespan(exact) == best
    searched = makespan(make_plan(asked, exact_choices=0))
    assert best <= searched <= best * (Fraction(4, 3) - Fraction(1, 3 * count))


# The network of 11 activities, one resource, of the course slides "Allocate and Level Project
# Resources", King Saud University: duration, resource units, early start, float; the early-start
# profile and its sums (111 and 743) are printed there. A day there is a week here.
NETWORK = {
    "A": (3, 3, 0, 0),
    "B": (5, 2, 0, 4),
    "C": (6, 3, 3, 0),
    "D": (2, 4, 3, 5),
    "E": (3, 2, 5, 5),
    "F": (3, 1, 5, 5),
    "G": (4, 3, 5, 4),
    "H": (5, 2, 9, 4),
    "I": (4, 3, 9, 0),
    "J": (2, 4, 13, 0),
    "K": (3, 5, 15, 0),
}
EARLY_PROFILE = [5, 5, 5, 9, 9, 9, 9, 9, 6, 5, 5, 5, 5, 6, 4, 5, 5, 5]


def network_jobs(slack: bool) -> tuple[PlanJob, ...]:
    """A job for each day of each activity; with ``slack`` it may slip by the activity's float."""
    jobs = []
    for name, (duration, units, start, room) in NETWORK.items():
        for n in range(duration):
            last = start + n + (room if slack else 0)
            jobs.append(job(f"{name}{n}", 7 * (start + n), 7 * last + 6, minutes=units))
    return tuple(jobs)


def test_the_published_network_has_its_published_early_profile() -> None:
    # King Saud University course slides, "Allocate and Level Project Resources".
    _, made = plan_of(*network_jobs(slack=False), weeks=18)
    assert [line.minutes for line in made.loads] == EARLY_PROFILE
    assert (made.load_sum, made.load_square_sum) == (111, 743)


def test_levelling_the_published_network_lowers_its_peak_and_its_squares() -> None:
    # Slack alone, precedence left out, so this is at least as level as the network can be: its
    # best peak is found here by trying every start within the floats.
    shop = Weights(above_level=50, lost=0, area_visit=0, gauge_setup=0)
    people = (person(minutes=2),)
    _, made = plan_of(*network_jobs(slack=True), weeks=18, weights=shop, workers=people)
    peak = max(line.minutes for line in made.loads)
    assert made.load_sum == 111
    assert made.load_square_sum < 743
    assert peak <= best_network_peak() < 9


def best_network_peak() -> int:
    best = 99
    fixed = [n for n, (*_, room) in NETWORK.items() if room == 0]
    loose = [n for n in NETWORK if n not in fixed]
    base = [0] * 18
    for name in fixed:
        duration, units, start, _ = NETWORK[name]
        for d in range(start, start + duration):
            base[d] += units
    for shift in itertools.product(*(range(NETWORK[n][3] + 1) for n in loose)):
        late = dict(zip(loose, shift, strict=True))
        # B before G before H; D before E. What precedes F is not readable: both are covered.
        if late["B"] > late["G"] or late["G"] > late["H"] or late["D"] > late["E"]:
            continue
        profile = base.copy()
        for name in loose:
            duration, units, start, _ = NETWORK[name]
            for d in range(start + late[name], start + late[name] + duration):
                profile[d] += units
        best = min(best, max(profile))
    return best


# --- why a job has no place ---------------------------------------------------------------


def test_what_is_past_is_told_with_the_soonest_free_place() -> None:
    late = job("J1", -40, -3)
    u = only_reason(late)
    assert (u.cause, u.proven) == (Cause.PAST, True)
    assert u.reason == "Its latest day was 2027-01-01, before the plan's 2027-01-04."
    assert u.soonest is not None
    assert (u.soonest.week, u.soonest.worker, u.soonest.gauge) == (week(0), "ann", "G1")


def test_late_proposals_do_not_take_the_same_room_twice() -> None:
    jobs = [job(f"J{n}", -40, -3, minutes=700) for n in range(3)]
    _, made = plan_of(*jobs)
    assert [u.soonest.week for u in made.unplanned if u.soonest] == [week(0), week(1), week(2)]
    assert made.load_sum == 0


def test_a_job_after_the_horizon_is_told_so_and_gets_no_proposal() -> None:
    u = only_reason(job("J1", 60, 90))
    assert (u.cause, u.soonest) == (Cause.BEYOND, None)
    assert "2027-03-05" in u.reason
    assert "2027-01-31" in u.reason


def test_a_shutdown_over_all_days_leaves_none() -> None:
    closed = WorkingCalendar(shutdowns=(Window(day(7), day(13), "summer"),))
    u = only_reason(job("J1", 7, 13), calendar=closed)
    assert u.cause is Cause.NO_WORKING_DAY
    assert u.soonest is not None
    assert u.soonest.week == week(2)


def test_an_outage_that_misses_is_named() -> None:
    outage = Window(day(14), day(16), "O1")
    u = only_reason(job("J1", 0, 10, outages=(outage,)))
    assert u.cause is Cause.NO_OUTAGE
    assert "2027-01-18 to 2027-01-20" in u.reason
    assert u.soonest is not None
    assert (u.soonest.first, u.soonest.last) == (day(14), day(16))
    assert "none" in only_reason(job("J1", 0, 10, outages=())).reason


def test_nobody_qualified_is_told_apart_from_nobody_there() -> None:
    assert only_reason(job("J1", quantity=V)).reason == "Nobody is qualified for vacuum."
    gone = person("ann", away=(Window(day(0), day(13)),))
    u = only_reason(job("J1", 0, 13), workers=(gone, person("bob", DP)))
    assert u.cause is Cause.NOBODY_QUALIFIED
    assert "ann" in u.reason
    assert "bob" not in u.reason
    assert u.soonest is not None
    assert u.soonest.week == week(2)
    ended = PlanWorker("ann", (Skill(P, Window(day(-99), day(2))),), 240)
    made = only_reason(job("J1", 7, 13), workers=(ended,))
    assert made.cause is Cause.NOBODY_QUALIFIED


def test_a_gauge_that_lapses_or_is_away_is_named_with_its_dates() -> None:
    lapses = gauge("G1", valid=(Window(day(-300), day(1)),))
    away = gauge("G2", away=(Window(day(5), day(26)),))
    u = only_reason(job("J1", 7, 20, gauges=("G1", "G2")), gauges=(lapses, away))
    assert u.cause is Cause.NO_GAUGE
    assert "G1 valid 2026-03-10 to 2027-01-05" in u.reason
    assert "away 2027-01-09 to 2027-01-30" in u.reason
    assert only_reason(job("J1", gauges=())).cause is Cause.NO_GAUGE


def test_a_person_and_a_gauge_that_never_meet() -> None:
    ann = person("ann", away=(Window(day(0), day(2)),))
    lapses = gauge("G1", valid=(Window(day(-300), day(1)),))
    u = only_reason(job("J1", 0, 6), workers=(ann,), gauges=(lapses,))
    assert u.cause is Cause.NO_COMMON_DAY


def test_a_job_longer_than_anybodys_week_is_told_apart_from_a_full_week() -> None:
    u = only_reason(job("J1", 0, 13, minutes=1201))
    assert (u.cause, u.proven, u.soonest) == (Cause.TOO_LONG, True, None)
    assert u.reason.startswith("Its 1201 minutes are more than any person and gauge have")
    # one day only: 240 minutes
    assert only_reason(job("J1", 7, 7, minutes=241)).cause is Cause.TOO_LONG
    slow = gauge("G1", minutes_per_day=10)
    assert only_reason(job("J1", 0, 13), gauges=(slow,)).cause is Cause.TOO_LONG
    u = only_reason(job("J1", 0, 13, minutes=1201, fixed=Fixed(week(0))))
    assert u.cause is Cause.TOO_LONG


def test_no_room_tells_the_minutes_and_the_worse_job_gives_way() -> None:
    big = [job(f"J{n}", 0, 6, minutes=500) for n in range(2)]
    safety = job("S", 0, 6, minutes=800, criticality=Criticality.SAFETY)
    _, made = plan_of(*big, safety)
    assert [a.key for a in made.assignments] == ["S"]
    assert {u.cause for u in made.unplanned} == {Cause.CAPACITY}
    assert not any(u.proven for u in made.unplanned)
    assert "800 of 1200 minutes" in made.unplanned[0].reason


def test_a_gauge_without_room_is_told() -> None:
    slow = gauge("G1", minutes_per_day=12)
    _, made = plan_of(job("J1", 0, 6), job("J2", 0, 6), gauges=(slow,))
    (u,) = made.unplanned
    assert "full for its gauges (G1)" in u.reason


@pytest.mark.parametrize(
    ("fixed", "words"),
    [
        (Fixed(week(9)), "outside the plan's 2027-W01 to 2027-W04"),
        (Fixed(week(3)), "its days are 2027-01-04 to 2027-01-22"),
        (Fixed(week(0), worker="bob"), "with bob, who is then not there or not qualified"),
        (Fixed(week(0), worker="zoe"), "with zoe"),
        (Fixed(week(0), gauge="G2"), "with G2, which is not one of its usable gauges"),
        (Fixed(week(0), gauge="G3"), "with G3, which is then away or not valid"),
    ],
)
def test_a_fixed_assignment_that_cannot_be_kept_is_told_and_not_changed(
    fixed: Fixed, words: str
) -> None:
    away = gauge("G3", away=(Window(day(0), day(6)),))
    u = only_reason(
        job("J1", 0, 18, fixed=fixed, gauges=("G1", "G3")),
        workers=(person("ann"), person("bob", DP)),
        gauges=(gauge("G1"), gauge("G2"), away),
    )
    assert (u.cause, u.proven) == (Cause.FIXED, True)
    assert words in u.reason


def test_a_fixed_assignment_is_kept_where_another_would_be_better() -> None:
    other = (gauge("G1"), gauge("G2"))
    people = (person("ann"), person("bob"))
    pinned = job("J1", 0, 25, fixed=Fixed(week(0), "bob", "G2"), gauges=("G1", "G2"))
    _, made = plan_of(pinned, gauges=other, workers=people)
    (a,) = made.assignments
    assert (a.week, a.worker, a.gauge, a.fixed) == (week(0), "bob", "G2", True)
    _, free = plan_of(replace(pinned, fixed=None), gauges=other, workers=people)
    assert free.assignments[0].week == week(3)


# --- single rules -------------------------------------------------------------------------


def test_a_job_is_done_as_late_as_it_is_in_date() -> None:
    _, made = plan_of(job("J1", 0, 16))
    (a,) = made.assignments
    assert (a.week, a.first, a.last) == (week(2), day(14), day(16))
    assert made.objective.lost == 0
    assert made.method is Method.EXACT
    assert made.gap == 0


def test_grace_is_used_only_when_there_is_no_other_way() -> None:
    busy = person("ann", away=(Window(day(0), day(13)),))
    late = job("J1", 0, 20, due_on=day(9))
    _, made = plan_of(late, workers=(busy,))
    assert made.assignments[0].week == week(2)
    assert made.objective.late_days == 5  # Wednesday of one week to Monday of the next
    _, made = plan_of(late)
    assert made.objective.late_days == 0


def test_redundant_channels_are_apart_and_not_in_the_same_hands() -> None:
    pair = [
        job(f"J{n}", 0, 25, redundant_group="R", apart_weeks=2, gauges=("G1", "G2"))
        for n in range(2)
    ]
    _, made = plan_of(*pair, gauges=(gauge("G1"), gauge("G2")))
    one, two = made.assignments
    assert (two.week.first - one.week.first).days >= 14
    assert (one.worker, one.gauge) != (two.worker, two.gauge)


def test_a_pair_that_cannot_be_separated_is_explained() -> None:
    pair = [job(f"J{n}", 0, 12, redundant_group="R", apart_weeks=2) for n in range(2)]
    u = only_reason(*pair, gauges=(gauge("G1"), gauge("G2")))
    assert (u.cause, u.proven) == (Cause.SEPARATION, False)
    assert "nearer than 2 weeks" in u.reason
    assert ("J0 in" in u.reason) or ("J1 in" in u.reason)


def test_a_pair_with_one_person_and_one_gauge_cannot_both_be_done() -> None:
    pair = [job(f"J{n}", 0, 25, redundant_group="R") for n in range(2)]
    u = only_reason(*pair)
    assert u.cause is Cause.SEPARATION
    assert "hands" in u.reason


def test_work_done_on_a_partner_before_the_plan_counts() -> None:
    done = Recent("R", "J0", week(-1), "ann", "G1")
    j = job("J1", 0, 12, redundant_group="R", apart_weeks=2, gauges=("G1", "G2"))
    _, made = plan_of(j, recent=(done,), gauges=(gauge("G1"), gauge("G2")))
    assert (made.assignments[0].week, made.assignments[0].gauge) == (week(1), "G2")
    u = only_reason(replace(j, latest_on=day(6)), recent=(done,), gauges=(gauge("G1"), gauge("G2")))
    assert (u.cause, u.proven) == (Cause.SEPARATION, True)
    assert "J0 in 2026-W53" in u.reason


def test_work_bound_to_one_day_does_not_borrow_the_rest_of_the_week() -> None:
    # 300 minutes on one Monday of 240, though the week has 1200.
    monday = [job(f"J{n}", 7, 7, minutes=150) for n in range(2)]
    for exact_choices in (0, 100):
        asked, _ = plan_of(*monday)
        made = make_plan(asked, exact_choices=exact_choices)
        assert len(made.assignments) == 1
        assert check_plan(made, asked) == []


def test_an_outage_binds_the_days() -> None:
    outage = Window(day(8), day(9), "O1")
    _, made = plan_of(job("J1", 0, 25, outages=(outage,)))
    (a,) = made.assignments
    assert (a.first, a.last) == (day(8), day(9))


def test_a_job_that_needs_two_gauges_waits_until_both_are_there() -> None:
    away = (Window(day(0), day(13), "at the laboratory"),)
    asked, made = plan_of(
        job("J1", static_gauges=("G1", "G2")),
        gauges=(gauge(), gauge("G2", away=away)),
    )
    (place,) = made.assignments
    assert (place.gauge, place.static_gauge) == ("G1", "G2")
    assert place.first >= day(14)
    alone = only_reason(job("J1", static_gauges=("G1",)))
    assert alone.cause is Cause.NO_GAUGE
    assert "second gauge" in alone.reason
    # the checker sees a plan that forgot the second gauge
    lost = replace(made, assignments=(replace(place, static_gauge=None),))
    assert {b.rule for b in check_plan(lost, asked)} == {"static gauge"}


def test_the_days_of_a_week_follow_due_dates_and_hours() -> None:
    """Two hours a day: two jobs of an hour on Monday, the next on Tuesday, in order of due date."""
    _, made = plan_of(
        *(job(f"J{n}", 0, 4, due_on=day(4 - n)) for n in range(4)),
        workers=(person(minutes=120),),
        weeks=1,
    )
    days = {a.key: a.day for a in made.assignments}
    assert days == {"J3": day(0), "J2": day(0), "J1": day(1), "J0": day(1)}


def test_work_that_needs_no_gauge_is_planned_without_one() -> None:
    asked, made = plan_of(
        job("J1", gauges=(NO_GAUGE,)),
        gauges=(GaugeAvailability(NO_GAUGE, (Window(date.min, date.max),)),),
    )
    assert made.assignments[0].gauge == NO_GAUGE
    assert check_plan(made, asked) == []


def test_jobs_of_one_area_go_together() -> None:
    shop = Weights(lost=0, peak=0, above_level=0)
    spread = [job(f"J{n}", n * 3, 13 + n * 3) for n in range(4)]
    _, made = plan_of(*spread, weights=shop)
    assert len({a.week for a in made.assignments}) == 1


def test_an_even_load_is_worth_some_lost_interval() -> None:
    jobs = [job(f"J{n}", 0, 25, minutes=100) for n in range(8)]
    _, made = plan_of(*jobs, weights=Weights(area_visit=0))
    assert [line.minutes for line in made.loads] == [200, 200, 200, 200]
    assert made.load_square_sum == 4 * 200**2
    _, made = plan_of(*jobs, weights=Weights(peak=0, above_level=0))
    assert [line.minutes for line in made.loads] == [0, 0, 0, 800]


def test_an_empty_plan() -> None:
    _, made = plan_of()
    assert made.assignments == ()
    assert (made.objective.total, made.bound, made.gap) == (0, 0, 0)
    assert len(made.loads) == 4


# --- what the checker finds ---------------------------------------------------------------


def broken_rules(made: Plan, asked: PlanInput) -> set[str]:
    return {b.rule for b in check_plan(made, asked)}


def test_every_kind_of_breach_is_found() -> None:
    pair = [
        job(f"J{n}", 0, 25, redundant_group="R", apart_weeks=2, gauges=("G1", "G2"))
        for n in range(2)
    ]
    asked, made = plan_of(*pair, gauges=(gauge("G1"), gauge("G2")))
    one, two = made.assignments

    def with_first(**changes: object) -> Plan:
        return replace(made, assignments=(replace(one, **changes), two))  # type: ignore[arg-type]

    assert broken_rules(replace(made, assignments=(one,)), asked) == {"once"}
    assert broken_rules(replace(made, assignments=(one, two, two)), asked) >= {"once"}
    assert "once" in broken_rules(with_first(key="X"), asked)
    assert broken_rules(with_first(worker="zoe"), asked) == {"names"}
    assert "apart" in broken_rules(with_first(week=two.week), asked)
    assert broken_rules(with_first(gauge=two.gauge), asked) >= {"same hands"}
    assert broken_rules(with_first(week=week(7)), asked) >= {"horizon", "latest", "days"}
    assert broken_rules(with_first(first=day(1)), asked) == {"days"}
    pinned = replace(asked, jobs=(replace(pair[0], fixed=Fixed(week(9))), pair[1]))
    assert "fixed" in broken_rules(made, pinned)
    slow = replace(asked, workers=(person(minutes=10),))
    assert broken_rules(made, slow) == {"person"}
    narrow = replace(asked, gauges=tuple(replace(g, minutes_per_day=10) for g in asked.gauges))
    assert broken_rules(made, narrow) == {"gauge"}
    assert str(check_plan(made, narrow)[0]).startswith("The gauge G")


# --- stability ----------------------------------------------------------------------------


def shop(count: int = 300, weeks: int = 26) -> PlanInput:
    dice = random.Random(4)
    gauges = tuple(gauge(f"G{n}", minutes_per_day=400) for n in range(5))
    people = (person("ann", P, DP, minutes=300), person("bob", P, V), person("cat", DP, V))
    jobs = []
    for n in range(count):
        due = dice.randrange(7, 7 * weeks)
        quantity = dice.choice([P, P, DP, V])
        jobs.append(
            job(
                f"J{n:03}",
                max(0, due - 91),
                due + 20,
                due_on=day(due),
                minutes=dice.choice([30, 45, 60, 90]),
                area=dice.choice("ABCD"),
                quantity=quantity,
                gauges=tuple(dice.sample([g.code for g in gauges], 2)),
                criticality=dice.choice(list(Criticality)),
                redundant_group=f"R{n // 2}" if n < 40 else None,
            )
        )
    return PlanInput(tuple(jobs), people, gauges, WorkingCalendar(), MONDAY, weeks)


def test_planning_again_without_a_change_moves_nothing() -> None:
    asked = shop()
    before = make_plan(asked, refine=False)
    after = make_plan(replace(asked, previous=before.assignments))
    assert after.moved == ()
    assert after.assignments == before.assignments


def test_a_small_change_moves_few_jobs() -> None:
    asked = shop()
    before = make_plan(asked, refine=False)
    assert before.unplanned == ()
    done = {a.key for a in before.assignments[:10]}
    start = before.assignments[10].week.first
    absence = Window(start + timedelta(days=42), start + timedelta(days=55), "at the laboratory")
    gauges = (replace(asked.gauges[0], away=(absence,)), *asked.gauges[1:])
    jobs = (*(j for j in asked.jobs if j.key not in done), job("NEW", 30, 90))
    again = replace(asked, jobs=jobs, gauges=gauges, previous=before.assignments)
    after = make_plan(again)
    assert check_plan(after, again) == []
    forced = {
        a.key
        for a in before.assignments
        if a.gauge == "G0" and a.key not in done and a.first in absence and a.last in absence
    }
    assert {m.key for m in after.moved} >= forced
    assert forced
    unforced = [m for m in after.moved if m.key not in forced]
    assert len(unforced) < 0.05 * len(asked.jobs)
    # forced jobs keep their week where another gauge serves
    assert sum(m.week_changed for m in after.moved) < 0.05 * len(asked.jobs)


# --- bad input ----------------------------------------------------------------------------


def test_contradictory_input_is_refused_with_names() -> None:
    with pytest.raises(RecordRefused, match="J1 may begin on 2027-01-09"):
        job("J1", 5, 4)
    with pytest.raises(RecordRefused, match="J1 names a gauge twice"):
        job("J1", gauges=("G1", "G1"))
    for change in ({"minutes": 0}, {"interval_days": 0}, {"apart_weeks": -1}):
        with pytest.raises(BadQuantity):
            job("J1", **change)
    with pytest.raises(RecordRefused, match="J1 stands twice"):
        plan_of(job("J1"), job("J1"))
    with pytest.raises(RecordRefused, match="J1 names G7"):
        plan_of(job("J1", gauges=("G7",)))
    with pytest.raises(BadQuantity):
        plan_of(weeks=0)
    with pytest.raises(BadQuantity):
        Weights(lost=float("nan"))
    with pytest.raises(BadQuantity):
        person(minutes=1441)
    with pytest.raises(BadQuantity):
        gauge(minutes_per_day=-1)


def test_a_horizon_without_capacity_is_refused() -> None:
    closed = WorkingCalendar(shutdowns=(Window(day(0), day(27)),))
    with pytest.raises(RecordRefused, match="no bench time from 2027-01-04 to 2027-01-31"):
        plan_of(job("J1"), calendar=closed)
    with pytest.raises(RecordRefused, match="no bench time"):
        plan_of(job("J1"), workers=())
