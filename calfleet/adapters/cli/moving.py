"""Moving in from the shop's own workbooks: ``move-in``, ``move-ins``."""

from __future__ import annotations

import sys
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calfleet.adapters.cli.app import (
    PLANNER,
    FormatOption,
    PersonOption,
    SiteOption,
    app,
    refuse_existing,
    write_new,
)
from calfleet.adapters.cli.moving_tables import Told, show
from calfleet.adapters.cli.render import Column, Format
from calfleet.adapters.cli.workbooks import (
    Book,
    WorkbookOption,
    check_workbook,
    listing_and_book,
)
from calfleet.errors import DataProblems, ProblemsFound, UsageError

if TYPE_CHECKING:
    from datetime import date

    from sqlalchemy.orm import Session

    from calfleet.adapters.workbook.grids import Book as Grids
    from calfleet.adapters.workbook.moving_in import Incoming
    from calfleet.adapters.workbook.moving_map import Mapping
    from calfleet.errors import Problem
    from calfleet.records import SiteInput
    from calfleet.services.comparison import Comparison
    from calfleet.services.move_in import HistoryJudged
    from calfleet.site import SiteFolder

PROPOSED = "the proposed mapping"
AS = "--as"
"""Where a remark stands that who is named may not do the run."""


@app.command("move-in", rich_help_panel=PLANNER)
def move_in(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILES...", help="Workbooks (.xlsx, .xls, .ods) or CSV.")
    ],
    mapping: Annotated[
        Path | None,
        typer.Option(metavar="TOML", help="How the files are read: a proposal, read and edited."),
    ] = None,
    propose: Annotated[
        Path | None,
        typer.Option(metavar="TOML", help="Only write the proposed mapping to a new file."),
    ] = None,
    marked: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Write copies of the files with the problems marked."),
    ] = None,
    run: Annotated[
        bool, typer.Option("--run", help="Add the records. Without it nothing is written.")
    ] = False,
    leave_out_refused: Annotated[
        bool,
        typer.Option(
            "--leave-out-refused", help="With --run: add what can be added, list what cannot."
        ),
    ] = False,
    checked: Annotated[
        str | None,
        typer.Option(
            metavar="VALUE", help="With --run: only if all is as the dry run with this value told."
        ),
    ] = None,
    reason: Annotated[
        str, typer.Option(metavar="TEXT", help="Why; needed with --run. Kept with each revision.")
    ] = "",
    person: PersonOption = None,
    output: FormatOption = Format.TABLE,
    site: SiteOption = None,
) -> None:
    """Move the shop's own registers and calibration history in from its workbooks.

    First without --run: what each column is taken for, what would be added, changed (as new
    revisions), unchanged and refused, and every problem with its sheet and cell; nothing is
    written. Then with --run: all of it or nothing. The same files again add nothing. History is
    judged from its readings by the rules of its days; what would have been refused at the bench
    is kept with a finding. By a planner; people's roles and qualifications by an approver.
    """
    from calfleet.site import find_site

    _check_options(mapping, propose, marked, run, leave_out_refused, reason)
    value = _checked(checked, run)
    folder = find_site(site)
    with folder.reading() as session:
        from calfleet.services.compare_incoming import known_numbers, known_site

        known, numbers = known_site(session), known_numbers(session)
        actor = _actor(session, person, folder.today(), known, run)
    books, problems = _read(files)
    if propose is not None:
        _propose(books, known, propose, problems, output)
        return
    how, name = _mapping(mapping, books, known)
    incoming = _incoming(books, how, known, numbers)
    task = _Task(folder, files, how, incoming, problems, reason, actor, value)
    told = task.run(leave_out_refused) if run else task.dry_run()
    told.name, told.proposed, told.output = name, mapping is None, output
    if mapping is not None:
        other = any(remark.where == AS for remark in told.remarks)
        who = None if other else person
        told.again = _again(files, mapping, who, reason, site, told.checked)
    if marked is not None and told.problems:
        _mark(books, told, marked)
    show(told)
    if told.problems and not told.written:
        raise typer.Exit(ProblemsFound.exit_code)


def _mark(books: Sequence[Grids], told: Told, folder: Path) -> None:
    """Writes the marked copies; where that fails, it is told, and all else is still listed."""
    from calfleet.adapters.workbook.marked_copy import mark
    from calfleet.errors import Problem, RecordRefused

    unmarked: list[Problem] = []
    try:
        told.copies = mark(books, told.problems, folder, said=unmarked, progress=_note)
    except RecordRefused as error:
        unmarked = [Problem(str(folder), error.message, error.next_step)]
    except OSError as error:
        step = "Name a folder that can be written to, and run the command again."
        what = error.strerror or error
        unmarked = [Problem(str(folder), f"The copies cannot be written: {what}.", step)]
    told.unmarked = unmarked


def _checked(checked: str | None, run: bool) -> str | None:
    """The check value of the dry run that a run is held to, as printed. Raises: UsageError."""
    if checked is None:
        return None
    import re

    if not run:
        raise UsageError(
            "--checked without --run.",
            rule="A run is held to what a dry run told.",
            next_step="Do the dry run without it; it prints the command of the run at its end.",
        )
    value = checked.strip().lower()
    if re.fullmatch(r"[0-9a-f]{6}(?:-[0-9a-f]{6}){2}", value) is None:
        raise UsageError(
            f"--checked {checked!r} is no check value.",
            rule="It has three groups of six digits, such as 3f9ac2-1b07de-90aa41.",
            next_step="Take the one that the dry run prints at its end.",
        )
    return value


def _actor(
    session: Session, person: str | None, today: date, known: SiteInput, run: bool
) -> str | None:
    """Who moves in, as recorded; in a dry run anybody may be named, or nobody.

    Raises: UsageError, UnknownName, PersonRefused.
    """
    from calfleet.services.nearest import pick
    from calfleet.services.who_grants import who_moves_in

    if run:
        return who_moves_in(session, person, today)
    if person is None:
        return None
    return pick("person", person, {p.code: p for p in known.people}).code


def _again(
    files: Sequence[Path],
    mapping: Path,
    person: str | None,
    reason: str,
    site: Path | None,
    checked: str,
) -> str:
    """The command that adds what a dry run told."""
    import shlex

    words = ["calfleet", "move-in", *map(str, files), "--mapping", str(mapping), "--run"]
    words += ["--checked", checked, "--as", person or "PERSON", "--reason", reason or "TEXT"]
    return shlex.join([*words, *(("--site", str(site)) if site is not None else ())])


def _check_options(
    mapping: Path | None,
    propose: Path | None,
    marked: Path | None,
    run: bool,
    leave_out: bool,
    reason: str,
) -> None:
    refuse_existing(propose)
    if propose is not None and (run or mapping is not None or marked is not None):
        raise UsageError(
            "--propose was given together with --run, --mapping or --marked.",
            rule="A mapping is proposed first, then read by a person, then used.",
            next_step="Propose alone; then give the file with --mapping.",
        )
    if run and mapping is None:
        raise UsageError(
            "--run without a mapping.",
            rule="Records are moved in by a mapping that a person has read.",
            next_step="Write one with --propose FILE.toml, read it, then give --mapping FILE.toml.",
        )
    if run and not reason.strip():
        raise UsageError(
            "No reason is given.",
            rule="Who moves records in says why.",
            next_step="Add --reason 'the registers as of ...'.",
        )
    if leave_out and not run:
        raise UsageError(
            "--leave-out-refused without --run.",
            rule="A dry run tells everything and leaves nothing out.",
            next_step="Look at the dry run first, then add --run.",
        )


def _read(files: Sequence[Path]) -> tuple[list[Grids], list[Problem]]:
    """The files as they are, and what is wrong with cells of theirs.

    Raises: UsageError for two files of one name; DataProblems when one cannot be read at all.
    """
    from calfleet.adapters.workbook.grids import read_book

    names = [file.name for file in files]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise UsageError(
            f"Two files are called {', '.join(twice)}.",
            rule="A record's place is told by the name of its file.",
            next_step="Rename one of them, or move them in one after the other.",
        )
    problems: list[Problem] = []
    books = []
    whole = True
    for file in files:
        _note(f"Reading {file.name}")
        book = read_book(file, problems)
        if book is None:
            whole = False
        else:
            books.append(book)
    if not whole:
        raise DataProblems(problems)
    return books, problems


def _mapping(file: Path | None, books: Sequence[Grids], known: SiteInput) -> tuple[Mapping, str]:
    """The mapping to read by, and what it is called.

    Raises: DataProblems for a mapping file with problems.
    """
    if file is None:
        from calfleet.adapters.workbook.moving_propose import propose

        return propose(books, known), PROPOSED
    from calfleet.adapters.workbook.moving_toml import from_toml

    problems: list[Problem] = []
    found = from_toml(_text_of(file), problems, file.name)
    if found is None or problems:
        raise DataProblems(problems)
    return found, file.name


def _text_of(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(
            f"The mapping {file} cannot be read: {error}.",
            rule="A mapping is a TOML file in UTF-8, as --propose writes it.",
            next_step="Check the path.",
        ) from error


def _propose(
    books: Sequence[Grids],
    known: SiteInput,
    target: Path,
    problems: Sequence[Problem],
    output: Format,
) -> None:
    from calfleet.adapters.workbook.moving_propose import propose
    from calfleet.adapters.workbook.moving_toml import to_toml

    made = propose(books, known)
    write_new(target, to_toml(made))
    told = Told(mapping=made, name=target.name, proposed=True, output=output, only_mapping=True)
    told.problems = list(problems)
    told.remarks = list(_without_rows(books))
    show(told)


def _without_rows(books: Sequence[Grids]) -> Iterator[Problem]:
    """What is said of files and sheets that hold nothing to be read."""
    from calfleet.errors import Problem

    step = "Nothing can be proposed for it: name a file with rows, or leave it out."
    for book in books:
        if not any(grid.rows for grid in book.grids):
            yield Problem(book.name, "The file has no rows.", step)
        for grid in book.grids:
            if len(grid.rows) == 1:
                place = f"{book.name}, {grid.name}"
                yield Problem(place, "The sheet has one row, and none below it as data.", step)


def _incoming(
    books: Sequence[Grids], how: Mapping, known: SiteInput, numbers: Collection[str]
) -> Incoming:
    from calfleet.adapters.workbook.moving_in import read_incoming

    with _reading() as progress:
        return read_incoming(books, how, known, progress, numbers)


@dataclass
class _Task:
    """What was read, on its way into the site."""

    folder: SiteFolder
    files: Sequence[Path]
    how: Mapping
    incoming: Incoming
    problems: list[Problem]
    reason: str
    actor: str | None
    checked: str | None

    def dry_run(self) -> Told:
        """What a run would do; nothing is written."""
        from calfleet.services.move_in import judge_history, with_refused

        with self.folder.reading() as session:
            found = self._compared(session)
            with _judging(found) as step, self.folder.workers() as workers:
                judged = judge_history(
                    session, found, at=self.folder.now(), step=step, workers=workers
                )
        told = self._told(with_refused(found, judged), judged, self._digests())
        told.remarks = [*self._approvals(found), *told.remarks]
        return told

    def run(self, leave_out: bool) -> Told:
        """The records added, unless something is refused and not left out.

        Raises: as ``move_in``; RecordRefused where it is not what the dry run told.
        """
        if (self.problems or self.incoming.problems) and not leave_out:
            return self.dry_run()
        try:
            return self._run(leave_out)
        except DataProblems:  # rolled back; what is told of a dry run says more
            return self.dry_run()

    def _run(self, leave_out: bool) -> Told:
        from calfleet.adapters.workbook.moving_map import mapping_plain
        from calfleet.services.check_move_in import refuse_other
        from calfleet.services.move_in import move_in as add
        from calfleet.services.move_in import with_refused

        digests = self._digests()
        subject = ", ".join(file.name for file in self.files)
        with self.folder.work(
            actor=self.actor or "", action="move in", subject=subject, reason=self.reason
        ) as work:
            found = self._compared(work.session)
            with _judging(found) as step, self.folder.workers() as workers:
                made, judged = add(
                    work, found, mapping=mapping_plain(self.how), files=digests,
                    leave_out=leave_out, step=step, workers=workers,
                )  # fmt: skip
            told = self._told(with_refused(found, judged), judged, digests)
            if self.checked is not None:
                refuse_other(self.checked, told.checked)
            if made is not None:
                work.commit()
                told.written = made.number
            told.ran = True
            return told

    def _compared(self, session: Session) -> Comparison:
        from calfleet.services.compare_incoming import compare

        return compare(
            session, self.incoming.given, self.incoming.places, today=self.folder.today(),
            reason=self.reason, actor=self.actor,
        )  # fmt: skip

    def _digests(self) -> list[tuple[str, str]]:
        return [(file.name, _digest(file)) for file in self.files]

    def _approvals(self, found: Comparison) -> list[Problem]:
        """What a run will need of who moves in, where it is not refused already."""
        from calfleet.errors import PersonRefused, Problem
        from calfleet.services.move_in import refuse_mover

        if self.actor is not None:
            try:
                refuse_mover(found, self.actor)
            except PersonRefused as error:
                step = f"{error.rule} {error.next_step}"
                return [Problem(AS, error.message, step)]
            return []
        return [
            Problem(
                item.place,
                "A role or qualification is given by an approver, never to oneself.",
                "Add --as PERSON to the dry run: it tells whether that person may.",
            )
            for item in found.grants
        ]

    def _told(
        self, found: Comparison, judged: HistoryJudged, digests: Sequence[tuple[str, str]]
    ) -> Told:
        from calfleet.adapters.workbook.moving_map import mapping_plain
        from calfleet.services.check_move_in import check_value

        read = [*self.problems, *self.incoming.problems]
        return Told(
            mapping=self.how,
            comparison=found,
            judged=judged,
            problems=[*read, *(i.problem for i in found.refused)],
            remarks=list(self.incoming.remarks),
            rows_read=dict(self.incoming.rows_read),
            rows_not_read=dict(self.incoming.rows_not_read),
            checked=check_value(digests, mapping_plain(self.how), found, judged, read),
        )


def _digest(file: Path) -> str:
    import hashlib

    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


# --- progress ---------------------------------------------------------------------------


def _note(text: str) -> None:
    print(f"{text} ...", file=sys.stderr, flush=True)


@contextmanager
def _reading() -> Iterator[Callable[[str, int, int], None]]:
    """Progress of reading, on the error stream: one line for each sheet, counted on a terminal."""
    live = sys.stderr.isatty()
    at = ""

    def tell(place: str, done: int, total: int) -> None:
        nonlocal at
        if place != at:
            end = "" if live else "\n"
            lead = "\n" if live and at else ""
            print(f"{lead}{place}: {total:,} rows", end=end, file=sys.stderr, flush=True)
            at = place
        elif live:
            print(f"\r{place}: {done:,} of {total:,} rows", end="", file=sys.stderr, flush=True)

    try:
        yield tell
    finally:
        if live and at:
            print(file=sys.stderr)


@contextmanager
def _judging(found: Comparison) -> Iterator[Callable[[], None]]:
    """A bar that goes on with each calibration judged; none where there are none."""
    from calfleet.services.comparison import State

    count = len(found.of("calibration", State.ADDED))
    if not count:
        yield lambda: None
        return
    with typer.progressbar(length=count, label="Judging history", file=sys.stderr) as bar:
        waiting = 0

        def step() -> None:
            nonlocal waiting
            waiting += 1
            if waiting == 100:
                bar.update(waiting)
                waiting = 0

        yield step
        bar.update(waiting)


# --- what was moved in ------------------------------------------------------------------


@app.command("move-ins", rich_help_panel=PLANNER)
def move_ins(
    output: FormatOption = Format.TABLE, workbook: WorkbookOption = None, site: SiteOption = None
) -> None:
    """List what was moved in from workbooks: when, by whom, from which files, how many records."""
    from calfleet.services.look_up import moves
    from calfleet.site import find_site

    check_workbook(workbook)
    folder = find_site(site)
    with folder.reading() as session:
        rows = moves(session)
    listing_and_book(
        rows,
        [
            Column("Number", "number", lambda x: x.move.number),
            Column("Entered", "recorded_at", lambda x: x.recorded_at, lambda v: f"{v:%Y-%m-%d}"),
            Column("By", "recorded_by", lambda x: x.recorded_by),
            Column(
                "Files", "files",
                lambda x: "; ".join(f"{n} ({d})" for n, d in x.move.files),
                lambda v: _short_digests(v), fold=True,
            ),
            Column("Added", "added", lambda x: _sum(x.move.outcome, "added"), right=True),
            Column("Changed", "changed", lambda x: _sum(x.move.outcome, "changed"), right=True),
            Column(
                "Unchanged", "unchanged", lambda x: _sum(x.move.outcome, "unchanged"), right=True
            ),
            Column("Left out", "left_out", lambda x: _sum(x.move.outcome, "refused"), right=True),
        ],
        output,
        Book(workbook, folder, "Moved in"),
        title="Moved in from workbooks",
        empty="Nothing was moved in from workbooks.",
    )  # fmt: skip


def _sum(outcome: dict[str, object], state: str) -> int:
    records = outcome.get("records")
    if not isinstance(records, dict):
        return 0
    return sum(int(held.get(state, 0)) for held in records.values() if isinstance(held, dict))


def _short_digests(text: str) -> str:
    import re

    return re.sub(r"\(([0-9a-f]{12})[0-9a-f]{52}\)", r"(\1)", text)
