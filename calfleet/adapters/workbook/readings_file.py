"""A readings file written: a bench record, complete or not, in the form that is read back."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from calfleet.records import BenchRecord, GaugeRole

_HEAD = (
    ("tag", "tag"),
    ("date", "performed_on"),
    ("person", "performed_by"),
    ("work_order", "work_order"),
    ("permit", "permit"),
    ("bypass", "bypass"),
    ("returned_by", "returned_by"),
    ("verified_by", "verified_by"),
    ("replaces", "replaces"),
    ("replacement_reason", "replacement_reason"),
    ("remarks", "remarks"),
)
_CONDITIONS = (
    "temperature_c",
    "humidity",
    "barometric",
    "barometric_unit",
    "head_height_m",
    "head_height_half_width_m",
    "head_density_kg_m3",
)
_ADJUSTMENT = (
    ("adjusted", "adjusted"),
    ("note", "adjustment_note"),
    ("exercised_before_as_found", "exercised_before_as_found"),
    ("exercise_cycles", "exercise_cycles"),
    ("contact_check", "contact_check"),
    ("seal", "seal"),
)
_NUMBERS = {
    "temperature_c", "humidity", "barometric", "head_height_m", "head_height_half_width_m",
    "head_density_kg_m3", "trip", "reset", "static",
}  # fmt: skip
_DATES = {"performed_on"}
_NEEDED = {"date", "person", "code", "revision", "operating", "temperature_c", "humidity",
           "adjusted"}  # fmt: skip


def readings_toml(content: Mapping[str, object]) -> str:
    """The readings file (TOML) that holds ``content``, the plain form of a bench record.

    What must be given and is not stands as a comment to be filled in; what may be left out and is
    empty is left out. Reading it back gives the same content.
    """
    lines = list(_lines(content, _HEAD))
    lines += ["", "[procedure]"]
    lines += _lines(content, (("code", "procedure"), ("revision", "procedure_revision")))
    lines += ["", "[gauges]", *_gauges(content)]
    lines += ["", "[conditions]", *_lines(content, ((name, name) for name in _CONDITIONS))]
    lines += ["", "[adjustment]", *_lines(content, _ADJUSTMENT)]
    cycles = content.get("cycles")
    for cycle in cycles if isinstance(cycles, list) else ():
        if isinstance(cycle, Mapping):
            names = ("phase", "set_point", "run", "static", "trip", "reset", "outcome")
            lines += ["", "[[cycles]]", *_lines(cycle, ((name, name) for name in names))]
    return "\n".join(lines) + "\n"


def _gauges(content: Mapping[str, object]) -> Iterable[str]:
    gauges = content.get("gauges")
    held = {
        g.get("role"): g
        for g in (gauges if isinstance(gauges, list) else ())
        if isinstance(g, Mapping)
    }
    for role in GaugeRole:
        if role in held:
            yield f"{role} = {_text(held[role].get('gauge'))}"
            if held[role].get("certificate"):
                yield f"{role}_certificate = {_text(held[role]['certificate'])}"
        elif role is GaugeRole.OPERATING:
            yield "# operating ="


def _lines(content: Mapping[str, object], names: Iterable[tuple[str, str]]) -> Iterable[str]:
    plain = {f.name: f.default for f in _FIELDS}
    for shown, field in names:
        value = content.get(field)
        if value is None or value == "":
            if shown in _NEEDED:
                yield f"# {shown} ="
        elif shown in _NEEDED or field not in plain or value != plain[field]:
            yield f"{shown} = {_value(field, value)}"


def _value(field: str, value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) or field in _NUMBERS or field in _DATES:
        return str(value)
    return _text(value)


def _text(value: object) -> str:
    """A TOML basic string: what may not stand in one is escaped."""
    signs = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\r": "\\r", "\t": "\\t"}
    return (
        '"'
        + "".join(
            signs.get(c, f"\\u{ord(c):04x}" if ord(c) < 0x20 or ord(c) == 0x7F else c)
            for c in str(value)
        )
        + '"'
    )


_FIELDS = tuple(BenchRecord.__dataclass_fields__.values())
