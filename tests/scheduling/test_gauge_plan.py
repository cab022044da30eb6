"""Reference gauges on the calendar: trips, absences, conflicts and their choices, lapses."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calfleet.errors import BadQuantity, UnknownName
from calfleet.records import IntervalBasis, IntervalPolicy, IntervalUnit, Quantity
from calfleet.scheduling.calendar import Window, WorkingCalendar
from calfleet.scheduling.gauge_plan import (
    Choice,
    ChoiceKind,
    Conflict,
    GaugeCare,
    Use,
    availability,
    conflicts,
    lapse_impact,
    trips,
)
from calfleet.scheduling.plan_model import NO_GAUGE, PlanJob

YEARLY = IntervalPolicy("R12", date(2020, 1, 1), IntervalBasis.LAST_DONE, 12, IntervalUnit.MONTH)
START, END = date(2027, 1, 4), date(2028, 1, 2)
CALENDAR = WorkingCalendar()


def d(text: str) -> date:
    return date.fromisoformat(text)


def care(code: str = "G1", due: str = "2027-03-31", **how: object) -> GaugeCare:
    values: dict[str, object] = {"transit_days": 4, "laboratory_days": 10, "review_days": 2}
    return GaugeCare(code, d(due), YEARLY, **{**values, **how})  # type: ignore[arg-type]


def use(day: str, *gauges: str, key: str = "J1", planned: str | None = None, **how: object) -> Use:
    on = d(day)
    values: dict[str, object] = {
        "tag": key,
        "due_on": on,
        "earliest_on": on - timedelta(days=60),
        "latest_on": on + timedelta(days=20),
        "minutes": 60,
        "area": "A",
        "quantity": Quantity.PRESSURE,
        "interval_days": 365,
    }
    job = PlanJob(key=key, gauges=gauges or ("G1",), **{**values, **how})  # type: ignore[arg-type]
    return Use(job, on, planned)


def found(*uses: Use, cares: tuple[GaugeCare, ...] = (care(),)) -> tuple[Conflict, ...]:
    return conflicts(uses, cares, CALENDAR, as_of=START, until=END)


def choice(conflict: Conflict, kind: ChoiceKind) -> Choice:
    (one,) = [c for c in conflict.choices if c.kind is kind]
    return one


# --- trips --------------------------------------------------------------------------------


def test_a_gauge_is_sent_so_that_it_is_back_on_its_due_date() -> None:
    # common practice, no source: sent by due - (transit + laboratory + review); the next interval
    # runs from the calibration, not from the return
    (trip,) = trips(care(), START, END)
    assert (trip.ship_on, trip.calibrated_on, trip.back_on, trip.next_due_on) == (
        d("2027-03-15"),
        d("2027-03-27"),
        d("2027-03-31"),
        d("2028-03-27"),
    )
    assert trip.away == Window(d("2027-03-15"), d("2027-03-30"), "G1 for calibration")
    assert trip.days_lapsed == 0


def test_a_gauge_past_its_last_day_to_be_sent_goes_at_once_and_lapses() -> None:
    trip, *_ = trips(care(due="2027-01-10"), START, END)
    assert (trip.ship_on, trip.back_on, trip.days_lapsed) == (START, d("2027-01-20"), 9)
    free = availability(care(due="2027-01-10"), START, END)
    assert not free.usable_on(d("2027-01-19"))
    assert free.usable_on(d("2027-01-20"))


def test_a_gauge_on_its_way_is_expected_from_the_day_it_was_sent() -> None:
    trip, *_ = trips(care(sent_on=d("2026-12-28")), START, END)
    assert trip.back_on == d("2027-01-13")
    assert trip.next_due_on == d("2028-01-09")


def test_short_intervals_recur_in_the_horizon() -> None:
    quarterly = IntervalPolicy(
        "R3", date(2020, 1, 1), IntervalBasis.LAST_DONE, 3, IntervalUnit.MONTH
    )
    gauge = GaugeCare("G1", d("2027-01-31"), quarterly, 2, 3, 1)
    days = [t.calibrated_on for t in trips(gauge, START, END)]
    assert days == [d(x) for x in ("2027-01-29", "2027-04-27", "2027-07-25", "2027-10-23")]


def test_a_calibration_as_long_as_the_interval_is_refused() -> None:
    weekly = IntervalPolicy("R7", date(2020, 1, 1), IntervalBasis.LAST_DONE, 7, IntervalUnit.DAY)
    with pytest.raises(BadQuantity, match="G1 is away 16 days"):
        trips(GaugeCare("G1", d("2027-03-31"), weekly, 4, 10, 2), START, END)
    with pytest.raises(BadQuantity):
        care(review_days=-1)


@given(
    st.integers(-60, 400),
    st.integers(0, 10),
    st.integers(0, 30),
    st.integers(0, 10),
)
def test_a_gauge_is_never_usable_away_or_lapsed(
    due: int, transit: int, laboratory: int, review: int
) -> None:
    gauge = GaugeCare("G1", START + timedelta(days=due), YEARLY, transit, laboratory, review)
    free = availability(gauge, START, END)
    journeys = trips(gauge, START, END)
    day = START
    while day <= END:
        # what is not sent by today is still there today
        gone = any(max(t.ship_on, START + timedelta(days=1)) <= day < t.back_on for t in journeys)
        certified = day <= gauge.due_on or any(t.back_on <= day <= t.next_due_on for t in journeys)
        assert free.usable_on(day) == (certified and not gone)
        day += timedelta(days=1)
    if due >= transit + laboratory + review:
        assert all(t.days_lapsed == 0 for t in journeys)


# --- conflicts ----------------------------------------------------------------------------


def test_no_conflict_where_a_gauge_is_there_and_valid() -> None:
    assert found(use("2027-03-12"), use("2027-03-31", key="J2")) == ()
    # without a gauge planned, any usable one will do
    assert found(use("2027-03-20", "G1", "G2"), cares=(care(), care("G2", "2027-09-30"))) == ()


def test_a_conflict_names_the_absence_and_every_way_out() -> None:
    job = use("2027-03-22", "G1", "G2", planned="G1")
    (conflict,) = found(job, cares=(care(), care("G2", "2027-09-30")))
    away = "G1 is away 2027-03-15 to 2027-03-30: its own calibration."
    assert conflict.text == f"J1 on 2027-03-22: {away}"
    other = choice(conflict, ChoiceKind.OTHER_GAUGE)
    assert other.text == "Use G2, which is there and valid on 2027-03-22."
    forward = [c for c in conflict.choices if c.kind is ChoiceKind.PULL_FORWARD]
    # the 13th and 14th are a weekend
    assert (forward[0].gauge, forward[0].day) == ("G1", d("2027-03-12"))
    assert forward[0].text == (
        "Pull the job forward to 2027-03-12 or earlier, while G1 can be used."
    )
    back = [c for c in conflict.choices if c.kind is ChoiceKind.PUT_BACK]
    assert back[0].text == "Do the job on 2027-03-31, when G1 can be used, 9 days into its grace."
    early = choice(conflict, ChoiceKind.SEND_EARLIER)
    assert (early.day, early.also_blocks) == (d("2027-03-06"), ())
    assert early.text == (
        "Send G1 by 2027-03-06 instead of 2027-03-15, so that it is back on 2027-03-22."
    )
    late = choice(conflict, ChoiceKind.SEND_LATER)
    assert late.text == (
        "Send G1 on 2027-03-23 instead of 2027-03-15, after the job, though it is then out of "
        "date until 2027-04-08."
    )


def test_sending_at_another_time_tells_what_else_it_blocks() -> None:
    jobs = (
        use("2027-03-22"),
        use("2027-03-09", key="J2"),
        use("2027-04-05", key="J3"),
        use("2027-04-06", "G1", "G2", key="J4"),
    )
    (conflict,) = found(*jobs, cares=(care(), care("G2", "2027-09-30")))
    early = choice(conflict, ChoiceKind.SEND_EARLIER)
    assert early.also_blocks == ("J2",)
    assert early.text.endswith("; 1 other job then lacks a gauge: J2.")
    assert choice(conflict, ChoiceKind.SEND_LATER).also_blocks == ("J3",)


def test_choices_stay_within_the_days_of_the_job_and_after_today() -> None:
    tight = use("2027-01-12", earliest_on=d("2027-01-11"), latest_on=d("2027-01-13"))
    (conflict,) = found(tight, cares=(care(due="2027-01-14"),))
    assert [c.kind for c in conflict.choices] == [ChoiceKind.SEND_LATER]
    wide = use("2027-03-22", outages=(Window(d("2027-03-20"), d("2027-04-02"), "O"),))
    (conflict,) = found(wide)
    kinds = {c.kind for c in conflict.choices}
    assert ChoiceKind.PULL_FORWARD not in kinds
    assert choice(conflict, ChoiceKind.PUT_BACK).day == d("2027-03-31")


def test_a_known_absence_is_not_moved_and_a_gauge_under_way_is_not_sent_again() -> None:
    lent = care(away=(Window(d("2027-03-18"), d("2027-03-25"), "lent"),))
    (conflict,) = found(use("2027-03-22"), cares=(lent,))
    sends = {ChoiceKind.SEND_EARLIER, ChoiceKind.SEND_LATER}
    assert not sends & {c.kind for c in conflict.choices}
    under_way = care(sent_on=d("2027-01-02"))
    (conflict,) = found(use("2027-01-08"), cares=(under_way,))
    assert not sends & {c.kind for c in conflict.choices}
    assert choice(conflict, ChoiceKind.PUT_BACK).day == d("2027-01-18")


def test_a_job_without_any_gauge_says_so() -> None:
    bare = PlanJob(
        key="J1",
        tag="J1",
        due_on=START,
        earliest_on=START,
        latest_on=START,
        minutes=60,
        area="A",
        quantity=Quantity.VACUUM,
        gauges=(),
        interval_days=365,
    )
    (conflict,) = found(Use(bare, START))
    assert conflict.choices == ()
    assert conflict.text == "J1 on 2027-01-04: no gauge is in range and good enough for it."


def test_an_unknown_gauge_is_refused_by_name() -> None:
    with pytest.raises(UnknownName, match="G9"):
        found(use("2027-02-01", "G9"))
    with pytest.raises(UnknownName, match="G9"):
        lapse_impact("G9", [], [care()], as_of=START, until=END)


# --- lapses -------------------------------------------------------------------------------


def test_a_lapse_shows_what_it_blocks_and_what_can_move() -> None:
    jobs = (
        use("2027-03-31", key="J1"),
        use("2027-04-01", key="J2"),
        use("2027-05-01", "G1", "G2", key="J3"),
        use("2027-05-02", "G2", "G1", key="J4"),
        use("2027-05-03", "G1", "G2", key="J5", planned="G2"),
        use("2027-09-16", "G1", "G2", key="J6"),
    )
    cares = (care(), care("G2", "2027-09-30"))
    impact = lapse_impact("G1", jobs, cares, as_of=START, until=END)
    assert impact.lapses_on == d("2027-04-01")
    # J6 falls in G2's own absence, from 2027-09-14
    assert [u.job.key for u in impact.blocked] == ["J2", "J6"]
    assert [(u.job.key, g) for u, g in impact.can_move] == [("J3", "G2")]
    assert impact.text == (
        "Without G1 from 2027-04-01, 2 jobs (120 minutes) cannot be done, and 1 job must use "
        "another gauge."
    )


def test_a_lapse_of_a_few_days() -> None:
    jobs = (use("2027-02-01", key="J1"), use("2027-02-10", key="J2"))
    impact = lapse_impact(
        "G1",
        jobs,
        [care()],
        as_of=START,
        until=END,
        lapses_on=d("2027-02-01"),
        back_on=d("2027-02-10"),
    )
    assert [u.job.key for u in impact.blocked] == ["J1"]
    assert "from 2027-02-01 to 2027-02-09, 1 job (60 minutes)" in impact.text


# --- absences on record, and second gauges ------------------------------------------------


def test_an_absence_on_record_near_the_due_date_is_that_calibration() -> None:
    """Due 2027-03-31, on record from 04-05 to 04-16: out of date for 16 days, then valid."""
    known = care(away=(Window(d("2027-04-05"), d("2027-04-16"), "recalibration"),))
    (trip,) = trips(known, START, END)
    assert (trip.ship_on, trip.back_on, trip.recorded) == (d("2027-04-05"), d("2027-04-17"), True)
    assert trip.calibrated_on == d("2027-04-16")
    assert trip.days_lapsed == 16
    free = availability(known, START, END)
    assert not free.usable_on(d("2027-04-01"))
    assert free.usable_on(d("2027-04-17"))


def test_an_absence_far_from_the_due_date_is_something_else() -> None:
    lent = care(away=(Window(d("2027-09-01"), d("2027-09-10"), "lent"),))
    (trip,) = trips(lent, START, END)
    assert trip.ship_on == d("2027-03-15")
    assert not trip.recorded
    assert not availability(lent, START, END).usable_on(d("2027-09-05"))


def test_a_gauge_at_the_laboratory_is_not_back_before_tomorrow() -> None:
    """Sent long ago, its times are over, and still its data sheet says that it is there."""
    late = care(due="2027-01-02", sent_on=d("2026-11-01"))
    (trip, *_) = trips(late, START, END)
    assert trip.back_on == START + timedelta(days=1)


def test_a_planned_gauge_that_is_not_good_enough_any_more_is_a_conflict() -> None:
    (one,) = found(use("2027-05-03", "G2", planned="G1"), cares=(care(), care("G2", "2027-12-01")))
    assert one.missing == (("G1", "is not in range or not good enough that day"),)
    assert choice(one, ChoiceKind.OTHER_GAUGE).gauge == "G2"


def test_a_job_that_needs_two_gauges_lacks_the_second() -> None:
    away = (Window(d("2027-05-01"), d("2027-05-31"), "lent"),)
    both = (care("G1", "2027-12-01"), care("G2", "2027-12-01", away=away))
    (one,) = found(use("2027-05-10", "G1", static_gauges=("G1", "G2")), cares=both)
    why = "is away 2027-05-01 to 2027-05-31: lent, and is to read the static pressure"
    assert one.missing == (("G2", why),)
    assert choice(one, ChoiceKind.PULL_FORWARD).day == d("2027-04-30")
    assert found(use("2027-06-10", "G1", static_gauges=("G1", "G2")), cares=both) == ()


def test_work_that_needs_no_gauge_never_lacks_one() -> None:
    assert found(use("2027-05-10", NO_GAUGE), cares=()) == ()
