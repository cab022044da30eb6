"""Every exception calfleet raises on purpose, as one tree.

::

    CalfleetError
    ├── UsageError            exit 2: what was typed cannot be understood
    │   ├── UnknownName       no such tag, gauge, person ...; nearest names offered
    │   ├── BadNumber         text that is not one plain decimal number
    │   ├── BadDate           text that is not a date YYYY-MM-DD
    │   ├── BadQuantity       a number outside the domain of the computation
    │   ├── UnitUnknown       no such unit
    │   ├── UnitAmbiguous     a unit name with several meanings; the choices offered
    │   └── SiteNotFound      no site folder here or above, or a file of it is missing
    ├── Refused               exit 3: understood, but a rule forbids it
    │   ├── GaugeRefused      overdue, withdrawn, out of range, not good enough
    │   ├── PersonRefused     unknown role, qualification missing or expired
    │   ├── ProcedureRefused  superseded, not yet in force, not for this quantity
    │   ├── ReadingRefused    implausible reading: wrong side, outside the range
    │   ├── DateRefused       in the future, or before the previous calibration
    │   ├── RecordRefused     a record that would contradict one that exists
    │   ├── ExtrapolationRefused  a certificate does not reach this reading
    │   ├── UncertaintyRefused    no coverage interval can be stated
    │   ├── RiskInfeasible    no prior satisfies the stated in-tolerance probability
    │   ├── SchemaMismatch    the database is of another revision
    │   ├── StoreRefused      the database cannot be written, or a guard refused
    │   └── WorkerEnded       a process that computes beside this one ended too early
    ├── ProblemsFound         exit 1: data read completely, problems listed
    │   ├── DataProblems      rows of input files, each with file, sheet and cell
    │   └── CopyDamaged       an export or backup that is not as it was written, each file named
    └── Interrupted           exit 130: stopped by the user; nothing was written

Each message names the thing, the rule it breaks and the next step.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any


class CalfleetError(Exception):
    """A message for the user: what is wrong, the rule, and what to do next.

    ``message`` names the thing, ``rule`` says what was broken (may be empty),
    ``next_step`` what to do (may be empty). ``str()`` gives the message alone.
    """

    exit_code = 1

    def __init__(self, message: str, *, rule: str = "", next_step: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.rule = rule
        self.next_step = next_step

    def __reduce__(self) -> tuple[Any, ...]:
        """As it is, whatever its class takes: an error of another process is pickled."""
        return _made_again, (type(self), self.args, self.__dict__)


def _made_again(
    kind: type[CalfleetError], args: tuple[object, ...], state: dict[str, object]
) -> CalfleetError:
    made = kind.__new__(kind, *args)
    made.__dict__.update(state)
    return made


class UsageError(CalfleetError):
    exit_code = 2


class UnknownName(UsageError):
    """No ``kind`` called ``name``; ``matches`` are the nearest existing names, best first."""

    def __init__(
        self, kind: str, name: str, matches: Sequence[str] = (), *, next_step: str = ""
    ) -> None:
        near = f"Nearest: {', '.join(matches)}." if matches else ""
        article = "An" if kind[:1].lower() in "aeio" else "A"
        super().__init__(
            f"No {kind} named {name!r} in this site.",
            rule=f"{article} {kind} must exist before it is used.",
            next_step=" ".join(part for part in (near, next_step) if part),
        )
        self.kind = kind
        self.name = name
        self.matches = tuple(matches)


class BadNumber(UsageError):
    pass


class BadDate(UsageError):
    pass


class BadQuantity(UsageError):
    pass


class UnitUnknown(UsageError):
    pass


class UnitAmbiguous(UsageError):
    pass


class SiteNotFound(UsageError):
    pass


class Refused(CalfleetError):
    exit_code = 3


class GaugeRefused(Refused):
    pass


class PersonRefused(Refused):
    pass


class ProcedureRefused(Refused):
    pass


class ReadingRefused(Refused):
    pass


class DateRefused(Refused):
    pass


class RecordRefused(Refused):
    pass


class ExtrapolationRefused(Refused):
    pass


class UncertaintyRefused(Refused):
    pass


class RiskInfeasible(Refused):
    pass


class SchemaMismatch(Refused):
    pass


class StoreRefused(Refused):
    pass


class WorkerEnded(Refused):
    """A process that computes beside this one was not to be had until it had answered."""

    def __init__(self) -> None:
        super().__init__(
            "A process that computes beside this one could not be started, or ended too early.",
            rule="What is computed is taken as a whole; nothing was written.",
            next_step="See that there is memory to spare, and run the command again.",
        )


@dataclass(frozen=True, slots=True)
class Problem:
    """One problem in input data: where it is, what is wrong, what would be right."""

    where: str
    message: str
    hint: str = ""

    def __str__(self) -> str:
        tail = f" {self.hint}" if self.hint else ""
        return f"{self.where}: {self.message}{tail}"


class ProblemsFound(CalfleetError):
    exit_code = 1


class DataProblems(ProblemsFound):
    """Input read to its end; ``problems`` holds every one found, in file order."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        count = len(problems)
        super().__init__(
            f"{count} problem{'s' if count != 1 else ''} in the input; nothing was written.",
            next_step="Correct the cells named and run the command again.",
        )
        self.problems = tuple(problems)


class CopyDamaged(ProblemsFound):
    """An export or a backup, read to its end, that is not as it was written."""

    def __init__(self, name: str, problems: Sequence[Problem]) -> None:
        count = len(problems)
        super().__init__(
            f"{name}: {count} problem{'s' if count != 1 else ''}; nothing was made from it.",
            rule="A copy is taken only as it was written.",
            next_step="Fetch it again from where it was kept, or take another one.",
        )
        self.problems = tuple(problems)


class Interrupted(CalfleetError):
    exit_code = 130
