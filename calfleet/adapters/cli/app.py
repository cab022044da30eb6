"""The program's frame: the command group, the shared options, errors to exit codes."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Annotated, Any, TypeVar

import typer
from typer.core import TyperGroup

from calfleet.adapters.cli.render import Format, paragraph
from calfleet.errors import BadDate, CalfleetError, Interrupted, ProblemsFound, UsageError

EXIT_CODES = (
    "Exit codes: 0 done; 1 problems found in data that was read; 2 the command or its input "
    "cannot be understood; 3 refused by a rule; 130 interrupted. Unless the code is 0, nothing "
    "was written."
)
UNEXPECTED = 70


class Group(TyperGroup):
    """Commands whose errors end in a message and a documented exit code, never a traceback."""

    def invoke(self, ctx: typer.Context) -> Any:  # type: ignore[override]
        try:
            return super().invoke(ctx)
        except CalfleetError as error:
            show_error(error)
            raise typer.Exit(error.exit_code) from error
        except (KeyboardInterrupt, typer.Abort) as error:
            show_error(INTERRUPTED)
            raise typer.Exit(Interrupted.exit_code) from error
        except BrokenPipeError as error:
            # the reader of a pipe closed it; nothing is wrong
            _silence_stdout()
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


def _silence_stdout() -> None:
    import os

    sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 - until the process ends


def show_error(error: CalfleetError) -> None:
    """Print what is wrong, the rule and the next step to the error stream."""
    parts = [paragraph(f"✗ {error.message}", indent="")]
    if isinstance(error, ProblemsFound):
        parts += [f"  {problem}" for problem in getattr(error, "problems", ())]
    if error.rule:
        parts.append(paragraph(error.rule, indent="  Rule: "))
    if error.next_step:
        parts.append(paragraph(error.next_step, indent="  Next: "))
    print("\n".join(parts), file=sys.stderr)


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
        return date.fromisoformat(text.strip())
    except ValueError as error:
        raise BadDate(
            f"{text!r} is not a date.",
            rule="Dates are written YYYY-MM-DD, for example 2026-12-31.",
            next_step="Type the date that way.",
        ) from error
