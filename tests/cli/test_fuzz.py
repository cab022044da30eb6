"""Whatever is typed and whatever a readings file holds: a documented exit code, no crash."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.main import get_command

from calfleet.adapters.cli.commands import app
from calfleet.adapters.workbook.sitefiles import read_bench_file
from calfleet.errors import CalfleetError

DOCUMENTED = {0, 1, 2, 3, 130}
EXCLUDED = {"demo", "build", "plan"}  # these write; their input has tests of its own

COMMANDS = get_command(app).commands  # type: ignore[attr-defined]
NAMES = sorted(set(COMMANDS) - EXCLUDED)
OPTIONS = sorted(
    {
        option
        for name in NAMES
        for parameter in COMMANDS[name].params
        for option in parameter.opts
        if option.startswith("-") and option not in ("--site", "--out")
    }
)
VALUES = [
    "PDSL-4104", "PSL-1108", "RG-202", "SHOP-26-005", "C2026-0145", "DP-STAT", "P02", "FWS",
    "2026-12", "2026-11-25", "0001-01-01", "9999-12-31", "0", "-1", "1e9", "nan", "inf", "",
    "table", "csv", "json", "svg", "safety", "vacuum", "'; DROP TABLE calibration; --", "%s",
    "\u202e", "名前", "99999999999999999999", "../../etc", "--", "-", "L", "0.95", "1.5",
]  # fmt: skip

text = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=12)
words = st.lists(
    st.one_of(st.sampled_from(OPTIONS), st.sampled_from(VALUES), st.sampled_from(VALUES), text),
    max_size=6,
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.one_of(st.sampled_from(NAMES), text.filter(lambda t: t not in EXCLUDED)), rest=words)
def test_any_line(demo: Any, name: str, rest: list[str]) -> None:
    """``run`` raises what no message stands for: it would end in exit code 70."""
    before = demo.database.read_bytes()
    done = demo.run(name, *rest)
    assert done.code in DOCUMENTED
    assert "Traceback" not in done.out + done.err
    if done.code:
        assert done.err.strip()
    assert demo.database.read_bytes() == before


JUNK = [
    "", "true", '"x"', "-1", "1e400", "nan", "inf", "[]", "{}", "2026-13-01", '"2026-11-25"',
    "2026-11-25T08:00:00", '"9" ', "999999999999999999999999999999", '"\\u0000"', "'''", "0x10",
    '"PSL-1108"', '"RG-301"', '"none"', "1_000", "0.1", '"250.80"', "2.5e2",
]  # fmt: skip


@settings(
    max_examples=50,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    changes=st.lists(
        st.tuples(st.integers(0, 40), st.sampled_from(["value", "drop", "twice"]),
                  st.sampled_from(JUNK)),
        min_size=1, max_size=4,
    )
)  # fmt: skip
def test_any_readings_file(
    demo: Any, tmp_path: Path, readings: Any, changes: list[tuple[int, str, str]]
) -> None:
    """The sound file with lines changed, dropped or doubled."""
    lines = readings().read_text(encoding="utf-8").splitlines()
    for place, how, junk in changes:
        n = place % len(lines)
        if how == "value":
            lines[n] = re.sub(r"= .*", lambda _, junk=junk: f"= {junk}", lines[n])
        elif how == "drop":
            lines[n] = ""
        else:
            lines.insert(n, lines[n])
    file = tmp_path / "fuzz.toml"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    before = demo.database.read_bytes()
    done = demo.run("record", "--check", "--from", str(file))
    assert done.code in {0, 1, 2, 3}
    assert "Traceback" not in done.err
    if done.code:
        assert done.out == ""
        assert done.err.startswith("✗ ")
    assert demo.database.read_bytes() == before


@pytest.mark.parametrize("ending", ["toml", "csv"])
@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    data=st.one_of(
        st.binary(max_size=200),
        st.text(max_size=200).map(lambda t: t.encode("utf-8", "surrogatepass")),
        st.lists(
            st.tuples(
                st.sampled_from(["tag", "date", "person", "procedure", "cycles", "adjusted", "x"]),
                st.sampled_from(["=", ",", " = ", ",,", "\n"]),
                st.sampled_from(JUNK),
            ).map("".join),
            max_size=12,
        ).map(lambda rows: "\n".join(rows).encode()),
    )
)
def test_any_bytes_as_a_readings_file(tmp_path: Path, ending: str, data: bytes) -> None:
    file = tmp_path / f"any.{ending}"
    file.write_bytes(data)
    with pytest.raises(CalfleetError) as caught:
        read_bench_file(file)
    assert caught.value.exit_code in {1, 2}
