"""The program's frame: the command group, the shared options, errors to exit codes."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer
from typer.core import TyperGroup

from calfleet.adapters.cli.render import Format, paragraph
from calfleet.errors import (
    BadDate,
    CalfleetError,
    Interrupted,
    ProblemsFound,
    RecordRefused,
    UnknownName,
    UsageError,
)

if TYPE_CHECKING:
    from calfleet.site import SiteFolder

EXIT_CODES = (
    "Exit codes: 0 done; 1 problems found in data that was read; 2 the command or its input "
    "cannot be understood; 3 refused by a rule; 70 a defect of the program; 130 "
    "interrupted. Unless the code is 0, nothing was written."
)
UNEXPECTED = 70

# The headings under which 'calfleet --help' lists the commands, in this order.
PLANNER = "For the planner"
BENCH = "At the bench"
AUDITOR = "For the auditor"
HELD = "What the site holds"
SITE = "The site itself"
SECTIONS = (PLANNER, BENCH, AUDITOR, HELD, SITE)

TypedWrongly: type[Exception] = typer.BadParameter.__mro__[1]
"""What the command line's library raises for a line it cannot parse; it exports only children."""


class Group(TyperGroup):
    """Commands whose errors end in a message and a documented exit code, never a traceback."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Every command with its whole first sentence, by whom it is for."""
        found: dict[str, list[tuple[str, str]]] = {name: [] for name in SECTIONS}
        for name in self.list_commands(ctx):
            command = self.get_command(ctx, name)
            if command is not None and not command.hidden:
                section = str(getattr(command, "rich_help_panel", None) or "Commands")
                rows = found.setdefault(section, [])
                rows.append((name, command.get_short_help_str(limit=1000)))
        wide = max(len(name) for rows in found.values() for name, _ in rows)
        for section, rows in found.items():
            if rows:
                with formatter.section(section):
                    formatter.write_dl([(name.ljust(wide), text) for name, text in rows])

    def make_context(self, *args: Any, **extra: Any) -> Any:
        try:
            return super().make_context(*args, **extra)
        except TypedWrongly as error:
            _show_typed_wrongly(error)
            raise typer.Exit(UsageError.exit_code) from error

    def invoke(self, ctx: typer.Context) -> Any:  # type: ignore[override]
        try:
            return super().invoke(ctx)
        except CalfleetError as error:
            show_error(error)
            raise typer.Exit(error.exit_code) from error
        except TypedWrongly as error:
            _show_typed_wrongly(error)
            raise typer.Exit(UsageError.exit_code) from error
        except (KeyboardInterrupt, typer.Abort) as error:
            show_error(INTERRUPTED)
            raise typer.Exit(Interrupted.exit_code) from error
        except BrokenPipeError as error:
            # the reader of a pipe closed it; nothing is wrong
            silence_stdout()
            raise typer.Exit(0) from error
        except (OSError, RecursionError) as error:
            show_error(
                UsageError(
                    f"A file or folder could not be used: {error}.",
                    next_step="Check the path and its permissions.",
                )
            )
            raise typer.Exit(UsageError.exit_code) from error


INTERRUPTED = Interrupted("Interrupted; nothing was written.", next_step="Start again when ready.")


def silence_stdout() -> None:
    """Send what is still to be printed nowhere: its reader is gone."""
    nowhere = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 - until the process ends
    try:
        os.dup2(nowhere.fileno(), sys.stdout.fileno())
    except (OSError, ValueError):  # not a stream of the system's
        sys.stdout = nowhere


def _show_typed_wrongly(error: Any) -> None:
    """Print a line that could not be parsed as any other error: what is wrong and what next.

    Raises: ``error`` itself when it only asks for the help to be shown.
    """
    if type(error).__name__ == "NoArgsIsHelpError":
        raise error
    words = error.format_message().replace("Value error, ", "").replace("Input should", "it must")
    words = re.sub(r"a valid integer, unable to .*", "a whole number", words)
    path = "calfleet" if error.ctx is None else error.ctx.command_path
    show_error(UsageError(words, next_step=f"'{path} --help' shows what can be given."))


WHERE_LISTED = {
    "switch": "'calfleet switches' lists them.",
    "gauge": "'calfleet gauges' lists them.",
    "person": "'calfleet people' lists them.",
    "procedure": "'calfleet procedures' lists them.",
    "laboratory": "'calfleet laboratories' lists them.",
    "area": "'calfleet areas' lists them.",
}


_FOR_TERMINALS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
"""Control characters, and those that turn the direction of writing."""


def show_error(error: CalfleetError) -> None:
    """Print what is wrong, the rule and the next step to the error stream."""
    parts = [paragraph(f"✗ {error.message}", indent="")]
    if isinstance(error, ProblemsFound):
        parts += [f"  {problem}" for problem in getattr(error, "problems", ())]
    if error.rule:
        parts.append(paragraph(error.rule, indent="  Rule: "))
    steps = error.next_step
    if isinstance(error, UnknownName) and "calfleet" not in steps:
        steps = f"{steps} {WHERE_LISTED.get(error.kind, '')}".strip()
    if steps:
        parts.append(paragraph(steps, indent="  Next: "))
    # the names of files and sheets are not ours: none may speak to the terminal
    print(_FOR_TERMINALS.sub("\ufffd", "\n".join(parts)), file=sys.stderr)


app = typer.Typer(
    name="calfleet",
    cls=Group,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Keep a plant's pressure and differential-pressure switches trustworthy: what is due, "
    "with which reference gauge, how certain the verdict is, and which standard stands behind "
    "it.\n\n" + EXIT_CODES,
)

Command = TypeVar("Command", bound=Callable[..., Any])

SiteOption = Annotated[
    Path | None,
    typer.Option(
        "--site",
        metavar="DIR",
        help="The site's folder. Else CALFLEET_SITE, else the nearest one upward from here.",
    ),
]
FormatOption = Annotated[
    Format, typer.Option("--format", "-f", help="table for reading, csv or json for programs.")
]
PersonOption = Annotated[
    str | None,
    typer.Option(
        "--as", metavar="PERSON", envvar="CALFLEET_PERSON", help="Who enters this: a person's code."
    ),
]
AsOfOption = Annotated[
    str | None,
    typer.Option("--as-of", metavar="DATE", help="The day the question is asked for (today)."),
]


def day(text: str | None, default: date) -> date:
    """A date typed as YYYY-MM-DD, or ``default`` when nothing was typed.

    Raises: BadDate.
    """
    if text is None:
        return default
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text.strip(), re.ASCII) is None:
            raise ValueError(text)
        return date.fromisoformat(text.strip())
    except ValueError as error:
        raise BadDate(
            f"{text!r} is not a date.",
            rule="Dates are written YYYY-MM-DD, for example 2026-12-31.",
            next_step="Type the date that way.",
        ) from error


def named(
    person: str | None,
    who: str = "who enters this",
    rule: str = "Who enters something is recorded with it.",
) -> str:
    """The person given with ``--as``, as typed.

    Raises: UsageError when nobody is given.
    """
    if person is None:
        raise UsageError(
            f"Nobody is named {who}.",
            rule=rule,
            next_step="Say who you are: --as PERSON, or CALFLEET_PERSON.",
        )
    return person


def planner(folder: SiteFolder, person: str | None, today: date, *, to: str) -> str:
    """The code of the planner who does this. Raises: UsageError, UnknownName, PersonRefused."""
    from calfleet.records import Role
    from calfleet.services.who import holder

    with folder.reading() as session:
        return holder(session, person, Role.PLANNER, today, to=to)


def write_new(out: Path, text: str, *, newline: str | None = None) -> None:
    """Write ``text`` to ``out``, which must not exist, and say so on the error stream.

    Raises: RecordRefused when it exists.
    """
    refuse_existing(out)
    out.write_text(text, encoding="utf-8", newline=newline)
    print(f"Written: {out}", file=sys.stderr)


def refuse_existing(out: Path | None) -> None:
    """Nothing when ``out`` may be written as a new file.

    Raises: RecordRefused when it exists.
    """
    if out is not None and out.exists():
        raise RecordRefused(
            f"{out} exists already.",
            rule="A file is never overwritten.",
            next_step="Name another file.",
        )
