"""What moving in would do: each record that files bring set against what the site holds."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any, TypeVar

from calfleet import records as rec
from calfleet.errors import Refused, UsageError
from calfleet.services.compare_grants import (
    further_accreditations,
    further_qualifications,
    further_roles,
    refuse_new,
    with_accreditation,
    with_qualification,
    with_role,
)
from calfleet.services.comparison import Comparison, Item, State
from calfleet.services.differences import bench_differences, differences, told
from calfleet.services.who_grants import refuse_granting
from calfleet.store.queries import (
    benches,
    calibrations,
    due,
    gauges,
    procedures,
    shop,
    switches,
)

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

Thing = TypeVar("Thing")
Places = Mapping[tuple[str, str], str]


def known_site(session: Session) -> rec.SiteInput:
    """Everything the site holds that files can refer to; history and planning are empty.

    Raises: UnknownName when there is no site in the database.
    """
    from calfleet.errors import UnknownName

    site = shop.site(session)
    if site is None:
        raise UnknownName("site", "", next_step="Build the site first: calfleet build.")
    return rec.SiteInput(
        site=site,
        areas=tuple(shop.areas(session)),
        people=tuple(shop.people(session).values()),
        laboratories=tuple(shop.laboratories(session).values()),
        policies=tuple(p for held in due.policies(session).values() for p in held),
        procedures=tuple(p for held in procedures.procedures(session).values() for p in held),
        switches=tuple(switches.revisions(session)),
        gauges=tuple(g for held in gauges.gauges(session).values() for g in held),
        certificates=tuple(gauges.certificates(session).values()),
        history=(),
    )


def known_numbers(session: Session) -> frozenset[str]:
    """The numbers of the site's calibrations, which a correction may name."""
    return frozenset(calibrations.numbers(session))


def compare(
    session: Session,
    given: rec.SiteInput,
    places: Places,
    *,
    today: date,
    known: rec.SiteInput | None = None,
    reason: str = "",
    actor: str | None = None,
) -> Comparison:
    """Each record of ``given`` as added, changed, unchanged or refused; nothing is written.

    ``places``: kind and key of a record to the place of its row. ``reason``: why a revision is
    made whose row gives none of its own. ``actor``: who moves in; what that person may not give
    to people is refused (all may be given where it is not told). Whether history can be judged
    is told by ``move_in.judged``.
    """
    known = known or known_site(session)
    return _Comparer(session, given, places, today, known, reason, actor).all()


class _Comparer:
    def __init__(
        self,
        session: Session,
        given: rec.SiteInput,
        places: Places,
        today: date,
        known: rec.SiteInput,
        reason: str,
        actor: str | None,
    ) -> None:
        self.session = session
        self.given = given
        self.places = places
        self.today = today
        self.known = known
        self.reason = reason
        self.actor = actor
        self.items: list[Item] = []

    def all(self) -> Comparison:
        known = self.known
        areas = {a.code: a for a in known.areas}
        for area in self.given.areas:
            self.entered_once("area", area.code, area, areas.get(area.code))
        self.people()
        self.laboratories()
        self.policies()
        self.procedures()
        self.revised(
            "switch", self.given.switches, known.switches, lambda s: s.tag,
            benches.last_calibrated(self.session), "calibrated",
        )  # fmt: skip
        self.revised(
            "gauge", self.given.gauges, known.gauges, lambda g: g.code,
            benches.last_used(self.session), "read in a calibration",
        )  # fmt: skip
        self.certificates()
        self.refuse_dependents()
        self.history()
        return Comparison(known, tuple(self.items), self.today)

    # --- people and laboratories ---

    def people(self) -> None:
        """Who is new is added whole; who is known takes up what further rows grant."""
        people = {p.code: p for p in self.known.people}
        known: list[tuple[rec.Person, rec.Person]] = []
        misfits = refuse_new(people, (p for p in self.given.people if p.code not in people))

        def with_person(held: dict[str, rec.Person], new: rec.Person) -> dict[str, rec.Person]:
            if new.code in misfits:
                raise misfits[new.code]
            return {**held, new.code: new}

        for person in self.given.people:
            held = people.get(person.code)
            if held is not None and held.name == person.name:
                self.note("person", person.code, State.UNCHANGED, person)
                known.append((held, person))
            elif held is not None:
                self.entered_once("person", person.code, person, held, GRANTS)
            else:
                people = self.granted("person", person, people, with_person, person.code)
        for role in further_roles(known):
            people = self.granted("person role", role, people, with_role, role.person)
        for one in further_qualifications(known):
            people = self.granted("qualification", one, people, with_qualification, one.person)

    def laboratories(self) -> None:
        laboratories = {p.code: p for p in self.known.laboratories}
        known: list[tuple[rec.Laboratory, rec.Laboratory]] = []
        for one in self.given.laboratories:
            held = laboratories.get(one.code)
            if held is not None and (held.name, held.kind) == (one.name, one.kind):
                self.note("laboratory", one.code, State.UNCHANGED, one)
                known.append((held, one))
            else:
                self.entered_once("laboratory", one.code, one, held, GRANTS)
        for each in further_accreditations(known):
            laboratories = self.granted(
                "accreditation", each, laboratories, with_accreditation, each.laboratory
            )

    def granted(
        self,
        kind: str,
        record: Any,
        known: dict[str, Thing],
        add: Callable[[dict[str, Thing], Any], dict[str, Thing]],
        code: str,
    ) -> dict[str, Thing]:
        """One grant to somebody who is there: added, or refused as it would be when entered."""
        of = "laboratory" if kind == "accreditation" else "person"
        key = code if kind == "person" else record.key
        place = self.places.get((kind, key)) or self.places.get((of, code), "")
        try:
            after = add(known, record)
            if self.actor is not None:
                people = {p.code: p for p in self.known.people}
                refuse_granting(people, self.actor, kind, record, self.today)
        except (Refused, UsageError) as error:
            step = f"{error.rule} {error.next_step}".strip()
            self.refuse(kind, key, record, error.message, step, place=place)
            return known
        self.note(kind, key, State.ADDED, record, place=place)
        return after

    # --- one record ---

    def note(self, kind: str, key: str, state: State, record: Any, **more: Any) -> None:
        place = more.pop("place", None) or self.places.get((kind, key), "")
        self.items.append(Item(kind, key, place, state, record, **more))

    def refuse(
        self, kind: str, key: str, record: Any, message: str, next_step: str, **more: Any
    ) -> None:
        self.note(kind, key, State.REFUSED, record, message=message, next_step=next_step, **more)

    def entered_once(
        self,
        kind: str,
        key: str,
        record: Any,
        held: Any,
        leaving_out: frozenset[str] = frozenset(),
    ) -> None:
        """Areas, people and laboratories: added, or there already just so."""
        if held is None:
            self.note(kind, key, State.ADDED, record)
            return
        changes = differences(held, record, leaving_out=leaving_out)
        if not changes:
            self.note(kind, key, State.UNCHANGED, record)
            return
        article = "An" if kind == "area" else "A"
        self.refuse(
            kind, key, record,
            f"{kind.capitalize()} {key} is in the site with other content: {told(changes)}.",
            f"{article} {kind} is entered once. Make the row as the site has it, or leave it out.",
            changes=changes,
        )  # fmt: skip

    def policies(self) -> None:
        held: dict[str, list[rec.IntervalPolicy]] = {}
        for policy in self.known.policies:
            held.setdefault(policy.code, []).append(policy)
        for policy in sorted(self.given.policies, key=lambda p: (p.code, p.effective_on)):
            key = f"{policy.code} from {policy.effective_on}"
            versions = held.setdefault(policy.code, [])
            same = next((p for p in versions if p.effective_on == policy.effective_on), None)
            last = max(versions, key=lambda p: p.effective_on, default=None)
            if same is not None:
                changes = differences(same, policy)
                if not changes:
                    self.note("interval policy", key, State.UNCHANGED, policy)
                else:
                    self.refuse(
                        "interval policy", key, policy,
                        f"Interval policy {key} is in the site with other content: "
                        f"{told(changes)}.",
                        "A version of a policy is not changed. Give a new one its own day of "
                        "effect.", changes=changes,
                    )  # fmt: skip
            elif last is not None and policy.effective_on < last.effective_on:
                self.refuse(
                    "interval policy", key, policy,
                    f"Interval policy {policy.code} has a version from {last.effective_on} "
                    f"already, later than {policy.effective_on}.",
                    "A new version takes effect after those there are.",
                )  # fmt: skip
            elif last is None:
                versions.append(policy)
                self.note("interval policy", key, State.ADDED, policy)
            else:
                versions.append(policy)
                self.note(
                    "interval policy", key, State.CHANGED, policy,
                    changes=differences(last, policy),
                )  # fmt: skip

    def procedures(self) -> None:
        held: dict[str, dict[int, rec.ProcedureRevision]] = {}
        for one in self.known.procedures:
            held.setdefault(one.code, {})[one.revision] = one
        for one in sorted(self.given.procedures, key=lambda p: (p.code, p.revision)):
            revisions = held.setdefault(one.code, {})
            last = revisions[max(revisions)] if revisions else None
            same = revisions.get(one.revision)
            if same is not None:
                self.same_revision("procedure revision", one.name, one, same)
            elif last is not None and one.revision < last.revision:
                self.older("procedure revision", one.name, one, last.revision)
            elif last is not None and one.effective_on <= last.effective_on:
                self.refuse(
                    "procedure revision", one.name, one,
                    f"{one.name} takes effect on {one.effective_on}, not after {last.name}, "
                    f"{last.effective_on}.",
                    "A new revision takes effect after the one it follows.",
                )  # fmt: skip
            else:
                revisions[one.revision] = one
                self.next_revision("procedure revision", one.name, one, last)

    def same_revision(self, kind: str, key: str, record: Any, held: Any) -> None:
        changes = differences(held, record)
        if not changes:
            self.note(kind, key, State.UNCHANGED, record)
            return
        self.refuse(
            kind, key, record,
            f"{_named(kind, key)} is in the site with other content: {told(changes)}.",
            "A revision is not changed. Give the row the next revision number, and the day from "
            "which it holds.", changes=changes,
        )  # fmt: skip

    def older(self, kind: str, key: str, record: Any, last: int) -> None:
        self.refuse(
            kind, key, record,
            f"{_named(kind, key)} is older than revision {last}, which the site holds.",
            "A revision follows the latest one. Leave older revisions out, or move them in "
            "before the newer ones.",
        )  # fmt: skip

    def next_revision(self, kind: str, key: str, record: Any, last: Any, **more: Any) -> None:
        if last is None:
            self.note(kind, key, State.ADDED, record, **more)
        else:
            changes = differences(last, record, leaving_out=_NUMBER)
            self.note(kind, key, State.CHANGED, record, changes=changes, **more)

    def revised(
        self,
        kind: str,
        given: Iterable[Any],
        known: Iterable[Any],
        code: Callable[[Any], str],
        used: Mapping[str, date],
        verb: str,
    ) -> None:
        """Switches and gauges: the first revision, the next one, or one that is there already."""
        held: dict[str, dict[int, Any]] = {}
        for one in known:
            held.setdefault(code(one), {})[one.revision] = one
        for one in sorted(given, key=lambda s: (code(s), s.revision)):
            name = code(one)
            key = f"{name} rev {one.revision}"
            place = self.places.get((kind, key), "")
            revisions = held.setdefault(name, {})
            last = revisions[max(revisions)] if revisions else None
            if one.revision in revisions:
                self.same_revision(kind, key, one, revisions[one.revision])
                continue
            if last is None:
                revisions[one.revision] = one
                self.note(kind, key, State.ADDED, one)
                continue
            if one.revision < last.revision:
                self.older(kind, key, one, last.revision)
                continue
            if not differences(last, one, leaving_out=_OF_REVISION):
                self.note(kind, f"{name} rev {last.revision}", State.UNCHANGED, last, place=place)
                continue
            made = self.dated(one, last)
            day = used.get(name)
            if day is not None and day >= made.effective_on:
                self.refuse(
                    kind, key, made,
                    f"{name} rev {made.revision} would take effect on {made.effective_on}, but "
                    f"{name} was {verb} on {day}, by revision {last.revision}.",
                    "What was judged keeps the revision it was judged by. Give a later 'Effective "
                    "on' in the row, or in the mapping as a constant.",
                    changes=differences(last, made),
                )  # fmt: skip
                continue
            revisions[one.revision] = made
            self.next_revision(kind, key, made, last)

    def dated(self, one: Any, last: Any) -> Any:
        """The next revision with a day and a reason of its own.

        A register without a column for the day repeats that of the first revision for ever: the
        next one then holds from the day on which it is moved in.
        """
        if one.effective_on <= last.effective_on:
            one = replace(one, effective_on=self.today)
        if (not one.reason or one.reason == last.reason) and self.reason:
            one = replace(one, reason=self.reason)
        return one

    def certificates(self) -> None:
        held = {c.number: c for c in self.known.certificates}
        for one in sorted(self.given.certificates, key=lambda c: (c.calibrated_on, c.issued_on)):
            known = held.get(one.number)
            if known is None:
                self.note("certificate", one.number, State.ADDED, one)
                continue
            if one.withdrawal is None:
                known = replace(known, withdrawal=None)  # a fact of its own, and may come later
            changes = differences(known, one)
            if not changes:
                self.note("certificate", one.number, State.UNCHANGED, one)
                continue
            self.refuse(
                "certificate", one.number, one,
                f"Certificate {one.number} is in the site with other content: {told(changes)}.",
                "A certificate is never changed. Enter the corrected one under its own number, "
                "with 'replaces' and the reason; report a withdrawal as an event.",
                changes=changes,
            )  # fmt: skip

    def refuse_dependents(self) -> None:
        """What names something that is neither in the site nor added now is refused too."""
        known = self.known
        there: dict[str, set[str]] = {
            "area": {a.code for a in known.areas},
            "laboratory": {p.code for p in known.laboratories},
            "interval policy": {p.code for p in known.policies},
            "procedure": {p.code for p in known.procedures},
            "gauge": {g.code for g in known.gauges},
            "certificate": {c.number for c in known.certificates},
        }
        for n, item in enumerate(self.items):
            if not item.writes:
                continue
            lacks = [(kind, name) for kind, name in _refers(item) if name not in there[kind]]
            if lacks:
                kind, name = lacks[0]
                self.items[n] = replace(
                    item,
                    state=State.REFUSED,
                    message=f"{_named(item.kind, item.key)} names {kind} {name}, which is neither "
                    "in the site nor among the rows that can be added.",
                    next_step=f"Correct the row of {kind} {name}, or the name.",
                )
                continue
            kind = item.kind.removesuffix(" revision")
            if kind in there:
                there[kind].add(getattr(item.record, _NAMES.get(kind, "code")))

    def history(self) -> None:
        wanted = {b.number: b for b in self.given.history if b.number}
        replaced = {b.replaces: b for b in self.given.history if b.replaces}
        there: set[str] = set()
        corrected: dict[str, str] = {}
        days = {(b.tag, b.performed_on) for b in self.given.history}
        read: dict[tuple[object, ...], str] = {}
        if wanted:
            for held in benches.benches(self.session):
                if (held.bench.tag, held.bench.performed_on) in days and held.replaced_by is None:
                    read[held.bench.tag, held.bench.performed_on, held.bench.cycles] = held.number
                if held.number in replaced and held.replaced_by is not None:
                    corrected[held.number] = held.replaced_by
                bench = wanted.get(held.number)
                if bench is None:
                    continue
                there.add(held.number)
                changes = bench_differences(held.bench, bench)
                if not changes:
                    self.note("calibration", held.number, State.UNCHANGED, None)
                    continue
                self.refuse(
                    "calibration", held.number, bench,
                    f"Calibration {held.number} is in the site with other content: "
                    f"{told(changes)}.",
                    "A record of measurement is never overwritten. Enter the correction under its "
                    "own number, with 'replaces' and the reason.", changes=changes,
                )  # fmt: skip
        for bench in self.given.history:
            number = bench.number or ""
            if number in there:
                continue
            by = corrected.get(bench.replaces or "")
            if by is not None and by != number:
                self.refuse(
                    "calibration", number, bench,
                    f"{bench.replaces} was corrected by {by} already.",
                    f"The newest record is the one to correct: name {by}.",
                )  # fmt: skip
                continue
            twice = read.setdefault((bench.tag, bench.performed_on, bench.cycles), number)
            if twice not in (number, bench.replaces):
                self.refuse(
                    "calibration", number, bench,
                    f"These readings of {bench.tag} on {bench.performed_on} are there already, as "
                    f"{twice}.",
                    "A calibration is recorded once. Leave the row out; a correction names the "
                    "record it replaces, and why.",
                )  # fmt: skip
            else:
                self.note("calibration", number, State.ADDED, bench)


_NAMES = {"certificate": "number"}


def _refers(item: Item) -> list[tuple[str, str]]:
    """What a record names that must be there before it: kind and code."""
    record = item.record
    if item.kind == "switch":
        return [
            ("area", record.area),
            ("procedure", record.procedure),
            ("interval policy", record.policy),
        ]
    if item.kind == "gauge":
        return [("interval policy", record.policy)]
    if item.kind == "certificate":
        named = [("gauge", record.gauge), ("laboratory", record.laboratory)]
        if record.replaces is not None:
            named.append(("certificate", record.replaces))
        for used in record.standards:
            named += [("gauge", used.gauge)] if used.gauge is not None else []
            named += [("certificate", used.certificate)] if used.certificate is not None else []
        return named
    return []


GRANTS = frozenset({"roles", "qualifications", "accreditations"})
"""What is granted to somebody who is there: facts of their own, told apart from the record."""
_NUMBER = frozenset({"revision"})
_OF_REVISION = frozenset({"revision", "effective_on", "reason"})


def _named(kind: str, key: str) -> str:
    return key if kind == "procedure revision" else f"{kind.capitalize()} {key}"
