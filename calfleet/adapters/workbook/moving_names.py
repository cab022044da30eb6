"""Names that rows refer to: what the site holds and what the files bring, and other spellings."""

from __future__ import annotations

import re
from collections import defaultdict

from calfleet import records as rec
from calfleet.adapters.workbook.moving_rows import Line, MovedRow, Notes
from calfleet.adapters.workbook.siterows import SiteRows
from calfleet.adapters.workbook.tables import Names, Row, shown, squeezed


def folded(name: str) -> str:
    """A name without regard to capitals, blanks, hyphens, points and strokes.

    >>> folded("PSL 1102/a") == folded("psl-1102A")
    True
    """
    return re.sub(r"[\s_\-./]+", "", name).casefold()


class MovingRows(SiteRows):
    """Rows of files being moved in, checked with what the site holds already."""

    def __init__(self, notes: Notes, known: rec.SiteInput) -> None:
        super().__init__(notes.problems)
        self.notes = notes
        self.known = known
        self._other: dict[str, dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
        self._said: set[tuple[str, str]] = set()
        for area in known.areas:
            self.learn(self.areas, area.code, area.name)
        for policy in known.policies:
            self.learn(self.policies, policy.code)
        for laboratory in known.laboratories:
            self.learn(self.laboratories, laboratory.code, laboratory.name)
        for person in known.people:
            self.learn(self.people, person.code, person.name)
        for procedure in known.procedures:
            self.learn(self.procedures, procedure.code)
            self.procedure_revisions[procedure.code][procedure.revision] = procedure
        for switch in sorted(known.switches, key=lambda s: (s.tag, s.revision)):
            self.learn(self.tags, switch.tag)
            self.switches[switch.tag].append(switch)
        for gauge in sorted(known.gauges, key=lambda g: (g.code, g.revision)):
            self.learn(self.gauge_names, gauge.code, gauge.serial)
            self.gauges[gauge.code].append(gauge)
        for certificate in known.certificates:
            self.learn(self.certificate_names, certificate.number)
            self.certificates[certificate.number] = certificate
        self.latest_switch = {tag: each[-1] for tag, each in self.switches.items()}
        self.latest_gauge = {code: each[-1] for code, each in self.gauges.items()}

    def set_point_step(self, row: Row) -> str:
        """What to do about a switch without set points, in the terms of its sheet."""
        sheet = row.line.sheet if isinstance(row, MovedRow) else None
        if sheet is not None and (sheet.gives("Set point") or any(g[0] for g in sheet.groups)):
            return "Fill in the cell of the set point."
        return (
            'Map a column to "Set point" (and those of its direction and tolerance), or give a '
            'sheet with a row for each set point, of the kind "set points" in the mapping.'
        )

    def points_step(self, row: Row) -> str:
        """What to do about a certificate without points."""
        return (
            'Give the sheet with its points, too, of the kind "certificate points" in the mapping: '
            "a column of it names the certificate."
        )

    def learn(self, names: Names, code: str, *others: str) -> None:
        """A name that rows may refer to, by its code, another spelling, or another name."""
        names.add(code)
        for each in (code, *others):
            if each:
                self._other[names.kind][folded(each)].add(code)

    def meant(self, line: Line, field: str, names: Names, text: str | None) -> str | None:
        """The code that a text stands for: itself, or the only one that is spelled or named so."""
        if not text or text in names.names:
            return text
        found = self._other[names.kind].get(folded(text), set())
        if len(found) != 1:
            if len(found) > 1:
                line.problem(
                    field,
                    f"{shown(text)} may be {' or '.join(sorted(found))}.",
                    f"Say which in the mapping: words = {{ {text!r} = ... }} of the column.",
                )
            return text
        code = next(iter(found))
        if (names.kind, text) not in self._said:
            self._said.add((names.kind, text))
            self.notes.remark(
                line.where(field), f"{shown(text)} is taken as the {names.kind} {code}."
            )
        return code

    def refer(self, line: Line, field: str) -> str | None:
        """What a field that names something says, as the code of it."""
        value = line.get(field)
        text = value if isinstance(value, str) else None
        names = {
            "area": self.areas, "laboratory": self.laboratories, "tag": self.tags,
            "interval policy": self.policies, "procedure": self.procedures,
            "gauge": self.gauge_names, "operating gauge": self.gauge_names,
            "static gauge": self.gauge_names, "certificate": self.certificate_names,
            "operating certificate": self.certificate_names,
            "static certificate": self.certificate_names,
            "standard certificate": self.certificate_names, "replaces": None,
        }.get(squeezed(field), self.people)  # fmt: skip
        return text if names is None else self.meant(line, field, names, text)
