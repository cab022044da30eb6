"""What files grant to people and laboratories that the site knows, set against what it holds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from calfleet.errors import CalfleetError, RecordRefused, Refused, UnknownName
from calfleet.records import (
    Laboratory,
    LaterAccreditation,
    LaterQualification,
    LaterRole,
    Person,
)
from calfleet.services.accredit import refuse_accreditation
from calfleet.services.change_role import refuse_change, refuse_role
from calfleet.services.qualify import refuse_qualification
from calfleet.services.who_grants import refuse_granter

People = dict[str, Person]
Laboratories = dict[str, Laboratory]


def roles_of(person: Person) -> list[LaterRole]:
    """The changes of role, by day; taken up before given up."""
    roles = [LaterRole(person.code, g.role, g.effective_on, g.held) for g in person.roles]
    return sorted(roles, key=lambda g: (g.effective_on, not g.held))


def further_roles(known: Iterable[tuple[Person, Person]]) -> list[LaterRole]:
    """The changes of role that the site does not hold just so, by day; taken up before given up.

    ``known``: each person as the site holds it and as the files give it.
    """
    new = [
        role for held, given in known for role in roles_of(given) if role.grant not in held.roles
    ]
    return sorted(new, key=lambda g: (g.effective_on, not g.held))


def further_qualifications(known: Iterable[tuple[Person, Person]]) -> list[LaterQualification]:
    """The qualifications that the site does not hold just so, by their first day."""
    new = [
        LaterQualification(held.code, q.quantity, q.granted_on, q.expires_on, q.granted_by)
        for held, given in known
        for q in given.qualifications
        if q not in held.qualifications
    ]
    return sorted(new, key=lambda q: q.granted_on)


def further_accreditations(
    known: Iterable[tuple[Laboratory, Laboratory]],
) -> list[LaterAccreditation]:
    """The accreditations that the site does not hold just so, by their first day."""
    new = [
        LaterAccreditation(held.code, a.number, a.valid_from, a.valid_until, a.scope)
        for held, given in known
        for a in given.accreditations
        if a not in held.accreditations
    ]
    return sorted(new, key=lambda a: a.valid_from)


def refuse_new(people: People, new: Iterable[Person]) -> dict[str, CalfleetError]:
    """Why new people cannot be added whole, by code; who can be is not in it.

    Roles first, then qualifications, each in the order of their days, as they would be entered:
    new people may grant to each other. What names somebody who cannot be added cannot be either.
    """
    given = {person.code: person for person in new}
    refused: dict[str, CalfleetError] = {}
    while True:
        lost = _misfits(people, given, refused)
        if not lost:
            return refused
        refused |= lost


def _misfits(
    people: People, given: People, refused: Mapping[str, CalfleetError]
) -> dict[str, CalfleetError]:
    """As ``refuse_new``, of those who are not ``refused`` already."""
    new = {code: person for code, person in given.items() if code not in refused}
    lost: dict[str, CalfleetError] = {}
    after = {**people, **{c: replace(p, roles=(), qualifications=()) for c, p in new.items()}}
    for code, person in new.items():
        for role in roles_of(person):
            try:
                # nobody is the last approver or planner of the site by having come new
                refuse_change(after[code], role)
            except Refused as error:
                lost.setdefault(code, error)
            after = plus_role(after, role)
    bare = [(person, replace(person, qualifications=())) for person in new.values()]
    for one in further_qualifications((held, person) for person, held in bare):
        try:
            if one.granted_by in refused:
                raise RecordRefused(
                    f"Person {one.person} names person {one.granted_by}, who is neither in the "
                    "site nor among the rows that can be added.",
                    rule="Somebody whom the site knows grants a qualification.",
                    next_step=f"Correct the row of person {one.granted_by}, or the name.",
                )
            after = with_qualification(after, one)
        except (Refused, UnknownName) as error:
            lost.setdefault(one.person, error)
    return lost


def with_role(people: People, role: LaterRole) -> People:
    """The people with the role changed. Raises: as ``refuse_role``."""
    refuse_role(people, role)
    return plus_role(people, role)


def with_qualification(people: People, one: LaterQualification) -> People:
    """The people with the qualification. Raises: as ``refuse_qualification``; PersonRefused."""
    refuse_qualification(people, one)
    refuse_granter(people, one.granted_by, one.granted_on)
    return plus_qualification(people, one)


def with_accreditation(laboratories: Laboratories, one: LaterAccreditation) -> Laboratories:
    """The laboratories with the accreditation. Raises: as ``refuse_accreditation``."""
    refuse_accreditation(laboratories, one)
    return plus_accreditation(laboratories, one)


def plus_role(people: People, role: LaterRole) -> People:
    """The people with the role changed, unchecked."""
    person = people[role.person]
    return {**people, person.code: replace(person, roles=(*person.roles, role.grant))}


def plus_qualification(people: People, one: LaterQualification) -> People:
    """The people with the qualification, unchecked."""
    person = people[one.person]
    held = (*person.qualifications, one.grant)
    return {**people, person.code: replace(person, qualifications=held)}


def plus_accreditation(laboratories: Laboratories, one: LaterAccreditation) -> Laboratories:
    """The laboratories with the accreditation, unchecked."""
    laboratory = laboratories[one.laboratory]
    held = (*laboratory.accreditations, one.grant)
    return {**laboratories, laboratory.code: replace(laboratory, accreditations=held)}
