"""People, laboratories and areas entered after the site was built, and what they are granted."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import (
    HELD,
    Group,
    PersonOption,
    SiteOption,
    app,
    day,
    planner,
)
from calfleet.adapters.cli.render import paragraph

if TYPE_CHECKING:
    from pathlib import Path


person_app = typer.Typer(
    cls=Group,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="A new person; roles given or taken back; qualifications granted or renewed.",
)
app.add_typer(person_app, name="person", rich_help_panel=HELD)
laboratory_app = typer.Typer(
    cls=Group,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="A new laboratory; accreditations noted or renewed.",
)
app.add_typer(laboratory_app, name="laboratory", rich_help_panel=HELD)
area_app = typer.Typer(
    cls=Group,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="A new area of the plant.",
)
app.add_typer(area_app, name="area", rich_help_panel=HELD)


class RoleName(StrEnum):
    """The roles."""

    PLANNER = "planner"
    TECHNICIAN = "technician"
    REVIEWER = "reviewer"
    APPROVER = "approver"
    AUDITOR = "auditor"


class KindName(StrEnum):
    """The kinds of laboratories."""

    NATIONAL = "national"
    ACCREDITED = "accredited"
    IN_HOUSE = "in-house"


CodeArgument = Annotated[str, typer.Argument(metavar="PERSON", help="The person's code.")]
RoleArgument = Annotated[
    RoleName,
    typer.Argument(metavar="ROLE", help="planner, technician, reviewer, approver or auditor."),
]
SinceOption = Annotated[
    str | None, typer.Option("--from", metavar="DATE", help="From when it is so (today).")
]
ReasonOption = Annotated[str, typer.Option(metavar="TEXT", help="Why; kept in the audit trail.")]


@person_app.command("add")
def add_person(
    code: Annotated[str, typer.Argument(metavar="CODE", help="A code that nobody has.")],
    name: Annotated[str, typer.Argument(metavar="NAME", help="The person's name.")],
    reason: ReasonOption = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Enter a new person, by a planner. Roles and qualifications follow, by an approver."""
    from calfleet.services.enter_person import enter_person
    from calfleet.site import find_site

    folder = find_site(site)
    actor = planner(folder, person, folder.today(), to="enter people")
    with folder.work(actor=actor, action="enter person", subject=code, reason=reason) as work:
        made = enter_person(work, code, name)
        work.commit()
    print(
        paragraph(
            f"{made.code} ({made.name}) is on record, without a role. 'calfleet person give-role' "
            "gives one."
        )
    )


@person_app.command("give-role")
def give_role(
    code: CodeArgument,
    role: RoleArgument,
    since: SinceOption = None,
    reason: ReasonOption = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Give a person a role from a day on, by an approver, not oneself.

    Where nobody is approver, a planner may make somebody else one.
    """
    _change_role(code, role, since, reason, person, site, held=True)


@person_app.command("take-role")
def take_role(
    code: CodeArgument,
    role: RoleArgument,
    since: SinceOption = None,
    reason: ReasonOption = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Take a role back from a day on, by an approver, not oneself.

    The last approver and the last planner keep theirs until somebody else has it.
    """
    _change_role(code, role, since, reason, person, site, held=False)


def _change_role(
    code: str,
    name: RoleName,
    since: str | None,
    reason: str,
    person: str | None,
    site: Path | None,
    *,
    held: bool,
) -> None:
    from calfleet.records import LaterRole, Role
    from calfleet.services.change_role import change_role, who_gives
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    role = Role(name.value)
    on = day(since, today)
    with folder.reading() as session:
        actor = who_gives(session, person, role, today)
    action = "give role" if held else "take back role"
    with folder.work(actor=actor, action=action, subject=code, reason=reason) as work:
        made = change_role(work, LaterRole(code, role, on, held), actor=actor, today=today)
        work.commit()
    said = "holds" if held else "no longer holds"
    print(f"{made.role.person} ({made.name}) {said} the role {role} from {on} on.")
    if made.remark:
        print(paragraph(made.remark))


@person_app.command("qualify")
def qualify(
    code: CodeArgument,
    quantity: Annotated[
        str,
        typer.Argument(
            metavar="QUANTITY",
            help="pressure, 'differential pressure', vacuum, 'absolute pressure' or temperature.",
        ),
    ],
    until: Annotated[str, typer.Option(metavar="DATE", help="The last day of it.")],
    since: Annotated[
        str | None, typer.Option("--from", metavar="DATE", help="The first day of it (today).")
    ] = None,
    granted_by: Annotated[
        str | None,
        typer.Option("--by", metavar="PERSON", help="Who granted it (who enters it)."),
    ] = None,
    reason: ReasonOption = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Grant a person a qualification for a quantity, or renew it, by an approver, not oneself."""
    from calfleet.records import LaterQualification, Role
    from calfleet.services.qualify import qualify as service
    from calfleet.services.qualify import quantity_named
    from calfleet.services.who import holder
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    what, first, last = quantity_named(quantity), day(since, today), day(until, today)
    with folder.reading() as session:
        actor = holder(session, person, Role.APPROVER, today, to="grant qualifications")
    given = LaterQualification(code, what, first, last, granted_by or actor)
    with folder.work(
        actor=actor, action="grant qualification", subject=code, reason=reason
    ) as work:
        made = service(work, given, actor=actor)
        work.commit()
    q = made.qualification
    before = "none before" if made.before is None else f"until {made.before} before"
    print(
        paragraph(
            f"{q.person} ({made.name}) is qualified for {q.quantity} from {q.granted_on} through "
            f"{q.expires_on}, granted by {q.granted_by} ({before})."
        )
    )
    if made.remark:
        print(paragraph(f"! {made.remark}"))


@laboratory_app.command("add")
def add_laboratory(
    code: Annotated[str, typer.Argument(metavar="CODE", help="A code that no other has.")],
    name: Annotated[str, typer.Argument(metavar="NAME", help="The laboratory's name.")],
    kind: Annotated[
        KindName, typer.Argument(metavar="KIND", help="national, accredited or in-house.")
    ],
    reason: ReasonOption = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Enter a new laboratory that calibrates gauges, by a planner."""
    from calfleet.records import LaboratoryKind
    from calfleet.services.enter_person import enter_laboratory
    from calfleet.site import find_site

    folder = find_site(site)
    actor = planner(folder, person, folder.today(), to="enter laboratories")
    with folder.work(actor=actor, action="enter laboratory", subject=code, reason=reason) as work:
        made = enter_laboratory(work, code, name, LaboratoryKind(kind.value))
        work.commit()
    print(f"{made.code} ({made.name}, {made.kind}) is on record.")
    if made.kind is LaboratoryKind.ACCREDITED:
        print(
            paragraph(
                "! Without an accreditation its certificates break a chain: 'calfleet laboratory "
                "accredit' notes it."
            )
        )


@laboratory_app.command("accredit")
def accredit(
    laboratory: Annotated[str, typer.Argument(metavar="LABORATORY", help="Its code.")],
    number: Annotated[
        str, typer.Argument(metavar="NUMBER", help="The number of the accreditation.")
    ],
    since: Annotated[str, typer.Option("--from", metavar="DATE", help="Its first day.")],
    until: Annotated[str, typer.Option(metavar="DATE", help="Its last day.")],
    scope: Annotated[str, typer.Option(metavar="TEXT", help="What it covers.")] = "",
    reason: ReasonOption = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Note a laboratory's accreditation, or its renewal, by a planner, as its body states it."""
    from calfleet.records import LaterAccreditation
    from calfleet.services.accredit import accredit as service
    from calfleet.site import find_site

    folder = find_site(site)
    today = folder.today()
    given = LaterAccreditation(laboratory, number, day(since, today), day(until, today), scope)
    actor = planner(folder, person, today, to="note accreditations")
    with folder.work(
        actor=actor, action="note accreditation", subject=laboratory, reason=reason
    ) as work:
        made = service(work, given)
        work.commit()
    a = made.accreditation
    before = "none before" if made.before is None else f"until {made.before} before"
    print(
        paragraph(
            f"{a.laboratory} ({made.name}): accreditation {a.number} from {a.valid_from} through "
            f"{a.valid_until} is on record ({before})."
        )
    )


@area_app.command("add")
def add_area(
    code: Annotated[str, typer.Argument(metavar="CODE", help="A code that no other area has.")],
    name: Annotated[str, typer.Argument(metavar="NAME", help="The area's name.")],
    reason: ReasonOption = "",
    person: PersonOption = None,
    site: SiteOption = None,
) -> None:
    """Enter a new area, by a planner; data sheets of switches can name it then."""
    from calfleet.services.enter_person import enter_area
    from calfleet.site import find_site

    folder = find_site(site)
    actor = planner(folder, person, folder.today(), to="enter areas")
    with folder.work(actor=actor, action="enter area", subject=code, reason=reason) as work:
        made = enter_area(work, code, name)
        work.commit()
    print(f"Area {made.code} ({made.name}) is on record.")
