"""Calendar files: the RFC's own examples, and read back by an independent library."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calfleet.adapters.documents.calendar_file import (
    CalendarEntry,
    calendar_file,
    due_entries,
    fold,
    identifier,
    plan_entries,
    text_value,
)
from calfleet.errors import BadDate, RecordRefused
from calfleet.records import Criticality, DueLine, GaugeReadiness, Quantity
from calfleet.scheduling.calendar import Window, WorkingCalendar
from calfleet.scheduling.plan import make_plan
from calfleet.scheduling.plan_model import GaugeAvailability, PlanInput, PlanJob, PlanWorker, Skill

icalendar = pytest.importorskip("icalendar", reason="NEEDS the icalendar library to read back")

STAMP = datetime(2026, 11, 25, 12, 34, 56, tzinfo=UTC)
DUE = date(2027, 6, 28)


def entry(tag: str = "PSH-1", **how: object) -> CalendarEntry:
    values: dict[str, object] = {"due_on": DUE, "first": DUE, "last": DUE, "summary": tag}
    return CalendarEntry(tag=tag, **{**values, **how})  # type: ignore[arg-type]


def written(*entries: CalendarEntry, **how: object) -> str:
    values: dict[str, object] = {"site": "S1", "stamp": STAMP}
    return calendar_file(entries, **{**values, **how})  # type: ignore[arg-type]


def events(text: str) -> list[object]:
    return list(icalendar.Calendar.from_ical(text.encode()).walk("VEVENT"))


def unfold(text: str) -> list[str]:
    """The content lines of a file, put together again as RFC 5545, 3.1 says."""
    assert text.endswith("\r\n")
    return text.replace("\r\n ", "").replace("\r\n\t", "").split("\r\n")[:-1]


# --- the RFC's own examples ---------------------------------------------------------------


def test_the_example_of_escaping() -> None:
    # RFC 5545, 3.3.11
    text = "Project XYZ Final Review\nConference Room - 3B\nCome Prepared."
    assert text_value(text) == ("Project XYZ Final Review\\nConference Room - 3B\\nCome Prepared.")
    # same clause: backslash, semicolon and comma are escaped, a colon is not
    assert text_value("a\\b;c,d:e") == "a\\\\b\\;c\\,d:e"


def test_the_example_of_folding_is_one_short_line() -> None:
    # RFC 5545, 3.1: the example line has 66 octets and needs no folding; put together again it is
    # the same whichever way it was folded
    line = "DESCRIPTION:This is a long description that exists on a long line."
    assert fold(line) == line
    assert unfold(
        "DESCRIPTION:This is a lo\r\n ng description\r\n  that exists on a long line.\r\n"
    ) == [line]


def test_the_example_of_an_event_over_several_days() -> None:
    # RFC 5545, 3.6.1: from 28 June through 8 July 2007, DTEND is the 9th
    stamp = datetime(2007, 4, 23, 12, 34, 32, tzinfo=UTC)
    one = entry(
        first=date(2007, 6, 28),
        last=date(2007, 7, 8),
        summary="Festival International de Jazz de Montreal",
    )
    lines = unfold(written(one, stamp=stamp))
    for line in (
        "DTSTAMP:20070423T123432Z",
        "DTSTART;VALUE=DATE:20070628",
        "DTEND;VALUE=DATE:20070709",
        "SUMMARY:Festival International de Jazz de Montreal",
        "TRANSP:TRANSPARENT",
    ):
        assert line in lines


# --- read back ----------------------------------------------------------------------------


def test_every_field_is_read_back_by_another_library() -> None:
    one = entry(
        last=DUE + timedelta(days=2),
        summary="PSH-1; due, soon",
        description="Boiler \\ feed\nwhy: last done 2026-06-28",
        location="Area 1, north",
        categories=("pressure", "a,b", "pressure", ""),
        priority=1,
    )
    calendar = icalendar.Calendar.from_ical(written(one, name="Due jobs", sequence=3).encode())
    assert calendar["VERSION"] == "2.0"
    assert calendar["PRODID"]
    assert calendar["METHOD"] == "PUBLISH"
    assert calendar["X-WR-CALNAME"] == "Due jobs"
    (event,) = calendar.walk("VEVENT")
    assert event.decoded("DTSTART") == DUE
    assert event.decoded("DTEND") == DUE + timedelta(days=3)
    assert event.decoded("DTSTAMP") == STAMP
    assert str(event["SUMMARY"]) == "PSH-1; due, soon"
    assert str(event["DESCRIPTION"]) == "Boiler \\ feed\nwhy: last done 2026-06-28"
    assert str(event["LOCATION"]) == "Area 1, north"
    assert [str(c) for c in event["CATEGORIES"].cats] == ["pressure", "a,b"]
    assert (event["PRIORITY"], event["SEQUENCE"], event["STATUS"]) == (1, 3, "CONFIRMED")
    assert event["UID"] == identifier("S1", "PSH-1", DUE)
    assert calendar.errors == []
    assert event.errors == []


WILD = st.text(st.characters(exclude_categories=("Cs", "Cc"), include_characters="\n\t"))


@given(WILD, WILD, st.lists(WILD.filter(bool), max_size=3, unique=True))
def test_any_text_comes_back_and_no_line_is_too_long(
    summary: str, description: str, categories: list[str]
) -> None:
    # Unicode line ends are text to the RFC, which knows CRLF alone
    text = written(entry(summary=summary, description=description, categories=tuple(categories)))
    raw = text.encode()
    for line in raw.split(b"\r\n"):
        assert len(line) <= 75
        line.decode()  # no character was cut
    assert b"\n" not in raw.replace(b"\r\n", b"")
    found = dict(line.split(":", 1) for line in unfold(text) if line != "END:VCALENDAR")
    assert undone(found["SUMMARY"]) == summary
    assert undone(found.get("DESCRIPTION", "")) == description
    (event,) = events(text)
    assert str(event["SUMMARY"]) == summary  # type: ignore[index]


def undone(value: str) -> str:
    """The text of a value, by RFC 5545, 3.3.11 read backwards."""
    out, signs = "", iter(value)
    for sign in signs:
        if sign != "\\":
            out += sign
            continue
        following = next(signs)
        out += "\n" if following in "nN" else following
    return out


def test_characters_that_a_file_must_not_have_are_left_out() -> None:
    assert text_value("a\x00b\x07c\r\nd\re\x7f\ud800") == "abc\\nd\\ne"


@pytest.mark.parametrize("length", range(60, 160, 7))
@pytest.mark.parametrize("sign", ["x", "é", "€", "🔧"])
def test_folding_counts_octets(length: int, sign: str) -> None:
    line = "SUMMARY:" + sign * length
    folded = fold(line)
    parts = folded.split("\r\n")
    assert all(len(p.encode()) <= 75 for p in parts)
    assert all(len(p.encode()) > 75 - 4 for p in parts[:-1])  # and no shorter than need be
    assert all(p.startswith(" ") for p in parts[1:])
    assert folded.replace("\r\n ", "") == line


# --- identity -----------------------------------------------------------------------------


def test_an_event_keeps_its_identifier_when_the_job_moves() -> None:
    (one,) = events(written(entry()))
    moved = entry(first=DUE - timedelta(days=9), last=DUE - timedelta(days=5), summary="else")
    (two,) = events(written(moved, sequence=1, stamp=STAMP + timedelta(days=1)))
    assert one["UID"] == two["UID"]  # type: ignore[index]
    assert (one["SEQUENCE"], two["SEQUENCE"]) == (0, 1)  # type: ignore[index]


def test_other_tags_dates_and_sites_have_other_identifiers() -> None:
    ids = {
        identifier(site, tag, due)
        for site in ("S1", "S2")
        for tag in ("A", "B")
        for due in (DUE, DUE + timedelta(days=1))
    }
    assert len(ids) == 8


def test_an_identifier_stays_what_it_was_for_calendars_already_subscribed() -> None:
    # computed by hand after RFC 9562, 5.5, from the SHA-1 of namespace and name
    assert identifier("S1", "PSH-1", DUE) == "7e6b5e38-0a58-52ba-bcaa-2791bd3d7afb"


def test_the_same_entries_in_any_order_give_the_same_file() -> None:
    a, b = entry("A"), entry("B", first=DUE - timedelta(days=1))
    assert written(a, b) == written(b, a)
    assert [str(e["SUMMARY"]) for e in events(written(a, b))] == ["B", "A"]  # type: ignore[index]


def test_a_stamp_of_another_zone_is_written_in_utc() -> None:
    east = STAMP.astimezone(timezone(timedelta(hours=5, minutes=30)))
    assert written(entry(), stamp=east) == written(entry())


def test_an_empty_calendar_is_a_calendar() -> None:
    assert events(written()) == []
    assert written().startswith("BEGIN:VCALENDAR\r\nVERSION:2.0\r\n")


def test_a_cancelled_job_is_struck_out() -> None:
    (event,) = events(written(entry(cancelled=True)))
    assert event["STATUS"] == "CANCELLED"  # type: ignore[index]


def test_bad_input_is_refused_by_name() -> None:
    with pytest.raises(BadDate, match="not a moment"):
        written(entry(), stamp=STAMP.replace(tzinfo=None))
    with pytest.raises(RecordRefused, match="Edition -1"):
        written(entry(), sequence=-1)
    with pytest.raises(RecordRefused, match="PSH-1 due on 2027-06-28 stands twice"):
        written(entry(), entry(summary="again"))
    with pytest.raises(RecordRefused, match="ends on 2027-06-27"):
        entry(last=DUE - timedelta(days=1))


# --- from due lists and plans -------------------------------------------------------------


def due_line(tag: str, due_on: date | None) -> DueLine:
    return DueLine(
        tag=tag,
        service="Feed water, low",
        area="B1",
        quantity=Quantity.PRESSURE,
        criticality=Criticality.SAFETY,
        set_points="LOW 4.0 bar falling",
        last_number="C-1",
        last_on=date(2026, 6, 28),
        last_verdict="pass",
        due_on=due_on,
        latest_on=date(2027, 9, 27),
        days_left=3,
        status="due",
        why="Last done 2026-06-28, every 12 months.",
        bench_minutes=45,
        outage_bound=False,
        readiness=GaugeReadiness(True, "G1", 4.2, "", ""),
    )


def test_a_due_list_becomes_events_on_the_due_days() -> None:
    made = due_entries([due_line("PSL-1", DUE), due_line("PSL-2", None)])
    (event,) = events(written(*made))
    assert event.decoded("DTSTART") == DUE  # type: ignore[attr-defined]
    assert str(event["SUMMARY"]) == "PSL-1 due"  # type: ignore[index]
    text = str(event["DESCRIPTION"])  # type: ignore[index]
    assert "Last done 2026-06-28, every 12 months." in text
    assert "Latest day: 2027-09-27" in text
    assert "Gauge: G1" in text
    assert event["PRIORITY"] == 1  # type: ignore[index]


def test_a_plan_becomes_events_over_the_days_of_its_weeks() -> None:
    job = PlanJob(
        key="J1",
        tag="PSL-1",
        due_on=DUE,
        earliest_on=date(2027, 6, 1),
        latest_on=DUE,
        minutes=60,
        area="B1",
        quantity=Quantity.PRESSURE,
        gauges=("G1",),
        interval_days=365,
    )
    asked = PlanInput(
        (job,),
        (PlanWorker("ann", (Skill(Quantity.PRESSURE),), 240),),
        (GaugeAvailability("G1", (Window(date(2027, 1, 1), date(2027, 12, 31)),)),),
        WorkingCalendar(),
        date(2027, 6, 1),
        4,
    )
    (event,) = events(written(*plan_entries(make_plan(asked), asked.jobs)))
    assert str(event["SUMMARY"]) == "PSL-1: ann with G1"  # type: ignore[index]
    # the week before: the 28th is a Monday outside the four weeks
    assert event.decoded("DTSTART") == date(2027, 6, 21)  # type: ignore[attr-defined]
    assert event.decoded("DTEND") == date(2027, 6, 26)  # type: ignore[attr-defined]
    assert event["UID"] == identifier("S1", "PSL-1", DUE)  # type: ignore[index]
