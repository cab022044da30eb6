"""What files grant to people and laboratories that the site knows, set against what it holds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from calfleet.records import (
    Laboratory,
    LaterAccreditation,
    LaterQualification,
    LaterRole,
    Person,
)
from calfleet.services.accredit import refuse_accreditation
from calfleet.services.change_role import refuse_role
from calfleet.services.qualify import refuse_qualification
from calfleet.services.who_grants import refuse_granter

People = dict[str, Person]
Laboratories = dict[str, Laboratory]


def further_roles(known: Iterable[tuple[Person, Person]]) -> list[LaterRole]:
    """The changes of role that the site does not hold just so, by day; taken up before given up.

    ``known``: each person as the site holds it and as the files give it.
    """
    new = [
        LaterRole(held.code, g.role, g.effective_on, g.held)
        for held, given in known
        for g in given.roles
        if g not in held.roles
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


def with_person(people: People, person: Person) -> People:
    """The people with a new one. Raises: PersonRefused for a qualification that nobody granted."""
    after = {**people, person.code: person}
    for one in person.qualifications:
        refuse_granter(after, one.granted_by, one.granted_on)
    return after


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
