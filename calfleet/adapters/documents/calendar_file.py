"""Due jobs and plans as an iCalendar file that calendar programs subscribe to or import.

Every job is an all-day event that does not make anybody busy. Its identifier depends on the site,
the tag and the due date only, so importing again changes an event instead of doubling it; a job
that was moved in the plan keeps its identifier, and ``sequence`` tells that it is newer.

Source: RFC 5545 (line folding 3.1, text 3.3.11, dates 3.3.4, components 3.6.1, identifiers
3.8.4.7, sequence 3.8.7.4); publishing without scheduling: RFC 5546, 3.2.1.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from uuid import NAMESPACE_URL, uuid5

from calfleet.errors import BadDate, RecordRefused
from calfleet.records import Criticality, DueLine, PlanAssignment, Switch
from calfleet.records import Plan as KeptPlan
from calfleet.scheduling.forecast import Job
from calfleet.scheduling.plan_model import Plan, PlanJob

_OCTETS = 75
_PRIORITY = {
    Criticality.SAFETY: 1,
    Criticality.ENVIRONMENT: 3,
    Criticality.PRODUCTION: 5,
    Criticality.GENERAL: 7,
}


@dataclass(frozen=True, slots=True)
class CalendarEntry:
    """One all-day event, from ``first`` through ``last``, both included.

    ``tag`` and ``due_on`` identify it. ``priority`` 1 is the highest, 9 the lowest, 0 none.
    ``cancelled``: the job is gone; programs that know it strike it out.
    Raises RecordRefused when it ends before it begins.
    """

    tag: str
    due_on: date
    first: date
    last: date
    summary: str
    description: str = ""
    location: str = ""
    categories: tuple[str, ...] = ()
    priority: int = 0
    cancelled: bool = False
    tentative: bool = False

    def __post_init__(self) -> None:
        if self.last < self.first:
            raise RecordRefused(
                f"The calendar entry of {self.tag} ends on {self.last}, before it begins on "
                f"{self.first}.",
                rule="An event ends on or after the day it begins.",
                next_step="Correct the days.",
            )


def due_entries(lines: Iterable[DueLine]) -> tuple[CalendarEntry, ...]:
    """The lines of a due list that have a due date, each as an event on that day."""
    return tuple(
        CalendarEntry(
            tag=line.tag,
            due_on=line.due_on,
            first=line.due_on,
            last=line.due_on,
            summary=f"{line.tag} due"
            if line.status in ("due", "not due")
            else f"{line.tag} due ({line.status})",
            description="\n".join(
                text
                for text in (
                    line.service,
                    f"Set points: {line.set_points}" if line.set_points else "",
                    line.why,
                    f"Latest day: {line.latest_on}" if line.latest_on else "",
                    f"Bench time: {line.bench_minutes} min",
                    f"Gauge: {line.readiness.reason or line.readiness.gauge or 'none'}",
                )
                if text
            ),
            location=line.area,
            categories=(line.quantity.value, line.criticality.value, line.area),
            priority=_PRIORITY[line.criticality],
        )
        for line in lines
        if line.due_on is not None
    )


def plan_entries(plan: Plan, jobs: Iterable[PlanJob]) -> tuple[CalendarEntry, ...]:
    """The assignments of a plan, each as an event over the days of its week on which it can be."""
    by_key = {job.key: job for job in jobs}
    return tuple(
        CalendarEntry(
            tag=place.tag,
            due_on=by_key[place.key].due_on,
            first=place.first,
            last=place.last,
            summary=f"{place.tag}: {place.worker} with {place.gauge}",
            description="\n".join(
                (
                    f"Planned for {place.week}, due {by_key[place.key].due_on}, latest day "
                    f"{by_key[place.key].latest_on}",
                    f"Bench time: {by_key[place.key].minutes} min",
                )
            ),
            location=by_key[place.key].area,
            categories=(
                by_key[place.key].quantity.value,
                by_key[place.key].criticality.value,
                by_key[place.key].area,
            ),
            priority=_PRIORITY[by_key[place.key].criticality],
        )
        for place in plan.assignments
    )


def kept_plan_entries(
    plan: KeptPlan,
    rows: Iterable[PlanAssignment],
    switches: Mapping[str, Switch],
    *,
    before: Iterable[PlanAssignment] = (),
) -> tuple[CalendarEntry, ...]:
    """The jobs of a plan on record, each on the day proposed for it, else on its week's workdays.

    ``rows``: those of its assignments that are wanted. ``before``: the jobs of the plan it is
    based on: what the plan does not hold any more, from its first day on, is told as cancelled.
    """
    told = plan.outcome.get("days")
    more = {(d["tag"], d["due_on"]): d for d in told} if isinstance(told, list) else {}
    held = {(a.tag, a.due_on) for a in plan.assignments}
    found = [_kept_entry(plan, a, switches.get(a.tag), more) for a in rows]
    found += [
        _kept_entry(plan, a, switches.get(a.tag), {}, cancelled=True)
        for a in before
        if (a.tag, a.due_on) not in held and a.week_on >= plan.first_week_on
    ]
    return tuple(found)


def _kept_entry(
    plan: KeptPlan,
    place: PlanAssignment,
    switch: Switch | None,
    more: Mapping[tuple[str, str], Mapping[str, str | None]],
    *,
    cancelled: bool = False,
) -> CalendarEntry:
    told = more.get((place.tag, place.due_on.isoformat()), {})
    day = told.get("day")
    first = last = date.fromisoformat(day) if day else place.week_on
    if not day:
        last = place.week_on + timedelta(days=4)
    hands = " with ".join(h for h in (place.person, place.gauge) if h)
    works = told.get("work") or "calibration"
    lines = [
        f"{works}, due {place.due_on}",
        f"Plan {plan.number}, week of {place.week_on}" + (", fixed" if place.fixed else ""),
        place.note,
        switch.service if switch is not None else "",
        f"Bench time: {switch.bench_minutes} min" if switch is not None else "",
        f"Static pressure with {told['static_gauge']}" if told.get("static_gauge") else "",
    ]
    kinds = () if switch is None else (switch.quantity.value, switch.criticality.value, switch.area)
    return CalendarEntry(
        tag=place.tag,
        due_on=place.due_on,
        first=first,
        last=last,
        summary=f"{place.tag}: {hands}" if hands else place.tag,
        description="\n".join(line for line in lines if line),
        location="" if switch is None else switch.area,
        categories=kinds,
        priority=0 if switch is None else _PRIORITY[switch.criticality],
        cancelled=cancelled,
        tentative=plan.accepted_on is None,
    )


def forecast_entries(jobs: Iterable[Job]) -> tuple[CalendarEntry, ...]:
    """The jobs of a forecast on their due dates; what is due on one tag on one day, as one."""
    together: dict[tuple[str, date], list[Job]] = {}
    for job in jobs:
        together.setdefault((job.tag, job.due_on), []).append(job)
    return tuple(
        CalendarEntry(
            tag=tag,
            due_on=due_on,
            first=due_on,
            last=due_on,
            summary=f"{tag} due",
            description="\n".join(
                (
                    ", ".join(j.work or "calibration" for j in held),
                    f"Bench time: {sum(j.bench_minutes for j in held)} min",
                    *(
                        ["Forecast: if every job before it is done on its due date"]
                        if any(j.recurs for j in held)
                        else []
                    ),
                )
            ),
            location=held[0].area,
            categories=(held[0].quantity.value, held[0].criticality.value, held[0].area),
            priority=_PRIORITY[held[0].criticality],
        )
        for (tag, due_on), held in together.items()
    )


def identifier(site: str, tag: str, due_on: date) -> str:
    """The identifier of the event of ``tag`` due on ``due_on``; always the same, anywhere.

    A version 5 UUID (RFC 9562) of the three, so that no odd character of a tag gets into it.
    """
    return str(uuid5(NAMESPACE_URL, f"calfleet:{site}\n{tag}\n{due_on.isoformat()}"))


def calendar_file(
    entries: Iterable[CalendarEntry],
    *,
    site: str,
    stamp: datetime,
    name: str = "",
    sequence: int = 0,
) -> str:
    """The entries as the text of an iCalendar file, by first day, then tag; lines end in CRLF.

    ``stamp`` (aware) is when the file was made. ``sequence`` counts the editions of the same
    entries, from 0. Write it to a file as UTF-8 without translating the line ends. No entries: a
    calendar without events.

    Raises BadDate for a ``stamp`` without a time zone; RecordRefused for a negative ``sequence``
    or two entries of the same tag and due date.
    """
    if stamp.tzinfo is None:
        raise BadDate(
            f"{stamp} is not a moment in time.",
            rule="The stamp of a calendar file has a time zone.",
            next_step="Give a time in UTC.",
        )
    if sequence < 0:
        raise RecordRefused(
            f"Edition {sequence} of a calendar file is not usable.",
            rule="Editions count from 0.",
            next_step="Give the number of the edition.",
        )
    made = stamp.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//calfleet//work of an instrument shop//EN",
        "CALSCALE:GREGORIAN",
        "METHOD:PUBLISH",
    ]
    if name:
        # not in RFC 5545, but what programs show; NAME is its successor (RFC 7986, 5.1)
        lines += [f"NAME:{text_value(name)}", f"X-WR-CALNAME:{text_value(name)}"]
    seen: set[str] = set()
    for entry in sorted(entries, key=lambda e: (e.first, e.tag, e.due_on)):
        uid = identifier(site, entry.tag, entry.due_on)
        if uid in seen:
            raise RecordRefused(
                f"{entry.tag} due on {entry.due_on} stands twice in the calendar.",
                rule="A tag has one event for each due date.",
                next_step="Drop one of the two.",
            )
        seen.add(uid)
        lines += _event(entry, uid, made, sequence)
    lines.append("END:VCALENDAR")
    return "".join(fold(line) + "\r\n" for line in lines)


def _event(entry: CalendarEntry, uid: str, made: str, sequence: int) -> list[str]:
    after = entry.last + timedelta(days=1)  # the end of an all-day event is not part of it
    lines = [
        "BEGIN:VEVENT",
        f"UID:{uid}",
        f"DTSTAMP:{made}",
        f"SEQUENCE:{sequence}",
        f"DTSTART;VALUE=DATE:{entry.first:%Y%m%d}",
        f"DTEND;VALUE=DATE:{after:%Y%m%d}",
        f"SUMMARY:{text_value(entry.summary)}",
    ]
    if entry.description:
        lines.append(f"DESCRIPTION:{text_value(entry.description)}")
    if entry.location:
        lines.append(f"LOCATION:{text_value(entry.location)}")
    categories = [c for c in dict.fromkeys(entry.categories) if c]
    if categories:
        lines.append(f"CATEGORIES:{','.join(text_value(c) for c in categories)}")
    if entry.priority:
        lines.append(f"PRIORITY:{entry.priority}")
    lines += [
        f"STATUS:{_status(entry)}",
        "TRANSP:TRANSPARENT",
        "END:VEVENT",
    ]
    return lines


def _status(entry: CalendarEntry) -> str:
    """RFC 5545, 3.8.1.11: what nobody has accepted yet is tentative."""
    if entry.cancelled:
        return "CANCELLED"
    return "TENTATIVE" if entry.tentative else "CONFIRMED"


def text_value(text: str) -> str:
    r"""The text as it stands in a file: backslash, semicolon, comma and line ends escaped.

    Control characters, which a file must not have, are left out. Source: RFC 5545, 3.3.11 and its
    example:

    >>> text_value("Project XYZ Final Review\nConference Room - 3B\nCome Prepared.")
    'Project XYZ Final Review\\nConference Room - 3B\\nCome Prepared.'
    """
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    for plain, escaped in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\n", "\\n")):
        text = text.replace(plain, escaped)
    return "".join(c for c in text if c == "\t" or not _is_control(c))


def _is_control(char: str) -> bool:
    return ord(char) < 32 or ord(char) == 127 or 0xD800 <= ord(char) <= 0xDFFF


def fold(line: str) -> str:
    """The line in parts of at most 75 octets, each but the first after a line end and a blank.

    No character is cut in its octets. Source: RFC 5545, 3.1.
    """
    parts: list[str] = []
    part, size = "", 0
    for char in line:
        octets = len(char.encode())
        if size + octets > _OCTETS:
            parts.append(part)
            part, size = " ", 1
        part += char
        size += octets
    return "\r\n".join([*parts, part])
