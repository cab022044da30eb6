"""What differs between two records of one kind, field by field, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

from calfleet import records as rec

LONGEST_WORDS = 80
"""Characters that are told of a value."""


@dataclass(frozen=True, slots=True)
class FieldChange:
    """One field of a record before and after, in words."""

    field: str
    before: str
    after: str


def differences(
    before: Any, after: Any, *, leaving_out: frozenset[str] = frozenset()
) -> tuple[FieldChange, ...]:
    """What differs between two records of one kind, field by field, in words.

    A list of set points is told point by point; lists of points of certificates as a whole.
    """
    found: list[FieldChange] = []
    for one in fields(before):
        if one.name in leaving_out:
            continue
        a, b = getattr(before, one.name), getattr(after, one.name)
        if a == b:
            continue
        label = one.name.replace("_", " ")
        if one.name == "set_points":
            found += _set_points(a, b)
        elif one.name in ("points", "cycles", "steps", "standards"):
            found.append(FieldChange(label, *_lists(a, b)))
        else:
            found.append(FieldChange(label, words(a), words(b)))
    return tuple(found)


def _set_points(before: Sequence[rec.SetPoint], after: Sequence[rec.SetPoint]) -> list[FieldChange]:
    found: list[FieldChange] = []
    old = {p.label: p for p in before}
    new = {p.label: p for p in after}
    for label in [*old, *(n for n in new if n not in old)]:
        a, b = old.get(label), new.get(label)
        if a is None or b is None:
            there = FieldChange(
                f"set point {label}", "none" if a is None else words(a.value),
                "none" if b is None else words(b.value),
            )  # fmt: skip
            found.append(there)
            continue
        found += [
            FieldChange(f"set point {label}: {c.field}", c.before, c.after)
            for c in differences(a, b)
        ]
    if not found:
        found.append(FieldChange("order of set points", ", ".join(old), ", ".join(new)))
    return found


def _lists(before: Sequence[Any], after: Sequence[Any]) -> tuple[str, str]:
    """Two lists of lines, cut to how many there are and the first that differs."""
    for place, (a, b) in enumerate(zip(before, after, strict=False), 1):
        if a != b:
            if isinstance(a, str):
                return f"line {place}: {words(a)}", f"line {place}: {words(b)}"
            names = [f.name for f in fields(a) if getattr(a, f.name) != getattr(b, f.name)]
            told_of = [
                ", ".join(f"{n.replace('_', ' ')} {words(getattr(one, n))}" for n in names)
                for one in (a, b)
            ]
            return f"line {place}: {told_of[0]}", f"line {place}: {told_of[1]}"
    return f"{len(before)} lines", f"{len(after)} lines"


def bench_differences(held: rec.BenchRecord, given: rec.BenchRecord) -> tuple[FieldChange, ...]:
    """What differs between a recorded calibration and one that files bring under its number.

    A gauge whose certificate the files do not name is on the one that was recorded.
    """
    given = replace(given, number=None)
    if held == given:
        return ()
    recorded = {used.role: used for used in held.gauges}
    gauges_given = tuple(
        recorded[used.role]
        if not used.certificate
        and used.role in recorded
        and recorded[used.role].gauge == used.gauge
        else used
        for used in given.gauges
    )
    order = list(rec.GaugeRole)
    return differences(
        replace(held, gauges=tuple(sorted(held.gauges, key=lambda u: order.index(u.role)))),
        replace(given, gauges=tuple(sorted(gauges_given, key=lambda u: order.index(u.role)))),
    )


def words(value: object) -> str:
    """A value of a record as a person reads it."""
    if value is None or value == "" or value == ():
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return _cut(", ".join(words(one) for one in value))
    if isinstance(value, rec.GaugeUsed):
        return f"{value.gauge} ({value.certificate})"
    if isinstance(value, rec.RoleGrant):
        ended = "" if value.held else " ended"
        return f"{value.role}{ended} from {value.effective_on}"
    if isinstance(value, rec.Qualification):
        return f"{value.quantity} {value.granted_on} to {value.expires_on} by {value.granted_by}"
    if isinstance(value, rec.Accreditation):
        return f"{value.number} {value.valid_from} to {value.valid_until}"
    if isinstance(value, rec.CertificateWithdrawal):
        return f"{value.withdrawn_on}: {value.reason}"
    return _cut(str(rec.to_plain(value)))


def _cut(text: str) -> str:
    return text if len(text) <= LONGEST_WORDS else text[: LONGEST_WORDS - 3] + "..."


def told(changes: Sequence[FieldChange], most: int = 3) -> str:
    """The first changes in one line: what the site has, and what the file says."""
    parts = [f"{c.field} {c.before} in the site, {c.after} in the file" for c in changes[:most]]
    more = len(changes) - most
    return "; ".join(parts) + (f"; and {more} more" if more > 0 else "")
