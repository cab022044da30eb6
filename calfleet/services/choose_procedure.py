"""Which procedure revision governs a job, and why another may not be used."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from calfleet.errors import ProcedureRefused
from calfleet.records import ProcedureRevision, Quantity
from calfleet.services.bench_facts import in_force
from calfleet.services.nearest import pick


def procedure_revision(
    procedures: Mapping[str, tuple[ProcedureRevision, ...]],
    code: str,
    revision: int | None,
    on: date,
) -> ProcedureRevision:
    """The revision asked for, or the one in force on ``on`` when ``revision`` is ``None``.

    Raises: UnknownName, ProcedureRefused when that revision does not exist or none is in force.
    """
    revisions = pick("procedure", code, procedures)
    code = revisions[0].code
    if revision is None:
        found = in_force(revisions, on)
        if found is None:
            raise ProcedureRefused(
                f"Procedure {code} has no revision in force on {on}.",
                rule=f"Its first revision takes effect on {revisions[0].effective_on}.",
                next_step="Use another procedure, or correct the date.",
            )
        return found
    for candidate in revisions:
        if candidate.revision == revision:
            return candidate
    raise ProcedureRefused(
        f"Procedure {code} has no revision {revision}.",
        rule=f"It has: {', '.join(str(r.revision) for r in revisions)}.",
        next_step="Name one of these.",
    )


def require_current(
    procedures: Mapping[str, tuple[ProcedureRevision, ...]],
    code: str,
    revision: int,
    quantity: Quantity,
    on: date,
) -> ProcedureRevision:
    """The revision named, which is the one in force on ``on`` and covers ``quantity``.

    Raises: UnknownName, ProcedureRefused.
    """
    named = procedure_revision(procedures, code, revision, on)
    current = in_force(procedures[named.code], on)
    if named.effective_on > on:
        raise ProcedureRefused(
            f"{named.name} is not in force on {on}.",
            rule=f"It takes effect on {named.effective_on}.",
            next_step=f"Work to {current.name}." if current else "Correct the date.",
        )
    if current is not None and current.revision != named.revision:
        raise ProcedureRefused(
            f"{named.name} was superseded on {current.effective_on}.",
            rule="A calibration follows the revision in force on its day.",
            next_step=f"Work to {current.name}; check that the readings were taken by it.",
        )
    if quantity not in named.quantities:
        raise ProcedureRefused(
            f"{named.name} is not for {quantity} switches.",
            rule=f"It is for: {', '.join(named.quantities)}.",
            next_step="Name the procedure of the switch's data sheet.",
        )
    return named
