"""The one place that joins parts: the site's folder, settings, database, and the clock.

A site is a folder with ``calfleet.toml``::

    [database]
    url = "sqlite:///site.sqlite"  # a relative file lies in the site's folder
    attachments = "attachments"

    [attachments]
    limit_mib = 20  # the largest file that may be attached

    [clock]
    fixed = 2026 - 11 - 25  # demo only: the day this site believes it is

A command finds it from ``--site``, else ``CALFLEET_SITE``, else from the current folder upward.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote, unquote

from calfleet.errors import RecordRefused, SiteNotFound, StoreRefused, UsageError
from calfleet.records import KeptFile
from calfleet.store.queries.reader import quick_reader
from calfleet.store.revision import HEAD, require_head

if TYPE_CHECKING:
    from sqlalchemy import Engine
    from sqlalchemy.orm import Session

    from calfleet.keeping.copies import Subject as CopySubject
    from calfleet.keeping.manifest import Manifest as CopyManifest
    from calfleet.keeping.restore import Restored
    from calfleet.store.queries.reader import Reader
    from calfleet.store.work import Work
    from calfleet.workers import Workers

# SQLAlchemy is loaded where it is used: the due list answers before it could be.

SETTINGS = "calfleet.toml"
DATABASE = "site.sqlite"
SQLITE = "sqlite:///"
POSTGRESQL = "postgresql+psycopg://"
ATTACHMENTS = "attachments"
BACKUPS = "backups"
LIMIT_MIB = 20
PART = ".part"
"""How the name of a file ends that is still being written."""


@dataclass(frozen=True, slots=True)
class SiteFolder:
    """A site's folder with its settings; opens its database and tells its time."""

    root: Path
    url: str
    attachments: Path
    fixed_day: date | None = None
    attachment_limit: int = LIMIT_MIB * 2**20
    """The most bytes that an attached file may have."""

    def today(self) -> date:
        """The day at this site: the clock's, or the fixed day of a demo site."""
        return self.fixed_day or date.today()

    def now(self) -> datetime:
        """The time of entry, UTC; on a demo site the clock's time of day on its fixed day."""
        moment = datetime.now(UTC)
        if self.fixed_day is None:
            return moment
        return moment.replace(
            year=self.fixed_day.year, month=self.fixed_day.month, day=self.fixed_day.day
        )

    @contextmanager
    def asking(self) -> Iterator[Reader]:
        """A connection on a database of the right revision: for questions that must be quick.

        Raises: SiteNotFound, SchemaMismatch, StoreRefused.
        """
        file = self.database_file()
        if file is not None:
            with quick_reader(file, require_head) as reader:
                yield reader
            return
        from calfleet.store.engine import refusals

        engine = self.engine()
        try:
            with refusals(self.url), engine.connect() as connection:
                yield connection
        finally:
            engine.dispose()

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """A session on a database of the right revision; nothing read is ever written back.

        Raises: SiteNotFound, SchemaMismatch, StoreRefused.
        """
        from sqlalchemy.orm import Session

        from calfleet.store.engine import refusals

        engine = self.engine()
        try:
            with refusals(self.url), Session(engine, expire_on_commit=False) as session:
                yield session
        finally:
            engine.dispose()

    @contextmanager
    def work(self, *, actor: str, action: str, subject: str, reason: str = "") -> Iterator[Work]:
        """A unit of work on a database of the right revision; call its ``commit()``.

        Raises: SiteNotFound, SchemaMismatch, StoreRefused, RecordRefused.
        """
        from calfleet.store.work import Work

        self.require_writable()
        engine = self.engine()
        try:
            with Work(
                engine,
                actor=actor,
                at=self.now(),
                action=action,
                subject=subject,
                reason=reason,
            ) as work:
                yield work
        finally:
            engine.dispose()

    @contextmanager
    def workers(self) -> Iterator[Workers | None]:
        """Processes that compute beside this one while the block lasts; ``None`` for none."""
        from calfleet.workers import workers

        with workers() as found:
            yield found

    def engine(self) -> Engine:
        """The engine of this site's database, whose revision was checked."""
        from calfleet.store.engine import open_engine
        from calfleet.store.schema import require_current

        self.database_file()
        engine = open_engine(self.url)
        require_current(engine, self.url)
        return engine

    def database_file(self) -> Path | None:
        """The SQLite file, which exists, or ``None`` for a database on a server.

        Raises: SiteNotFound.
        """
        if not self.url.startswith(SQLITE):
            return None
        file = Path(unquote(self.url.removeprefix(SQLITE)))
        if not file.is_file():
            raise SiteNotFound(
                f"The database {file} does not exist.",
                rule=f"{SETTINGS} names it.",
                next_step="Restore it from a backup, or correct the path in the settings.",
            )
        return file

    def require_writable(self) -> None:
        """Nothing when the database file may be written.

        A file without any write permission is refused for every user, root included: the mark
        was set on purpose.
        """
        from calfleet.store.engine import read_only

        file = self.database_file()
        if file is None:
            return
        if not (file.stat().st_mode & 0o222 and os.access(file, os.W_OK)):
            raise read_only(str(file))

    def keep_file(self, data: bytes, digest: str) -> None:
        """Nothing, once ``data`` lies safely in the folder of attachments under its ``digest``.

        Written beside, flushed to the disk and renamed: under its name a file is always whole. It
        stays when the record of it fails afterwards; ``verify`` then names it.

        Raises: RecordRefused when another content lies under that digest.
        """
        import secrets

        target = self._kept(digest)
        if target.is_symlink() or target.exists():
            if self._digest(target) == digest:
                return
            raise RecordRefused(
                f"{target} is not the file that its name says.",
                rule="A file is kept under the digest of its content.",
                next_step="Run 'calfleet verify' and find out who changed it.",
            )
        target.parent.mkdir(parents=True, exist_ok=True)
        part = target.parent / f"{target.name}.{secrets.token_hex(4)}{PART}"
        try:
            # a new file of our own, readable only: a link put in its place is not followed
            handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o444)
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            os.replace(part, target)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        for folder in (target.parent, self.attachments):
            _sync_folder(folder)

    def kept_file(self, digest: str) -> bytes:
        """The bytes kept under ``digest``, which they still have.

        Raises: StoreRefused when they are missing or were changed.
        """
        import hashlib

        target = self._kept(digest)
        plain = target.is_file() and not target.is_symlink()
        data = target.read_bytes() if plain else b""
        if not plain or hashlib.sha256(data).hexdigest() != digest:
            raise StoreRefused(
                f"The attached file {target} is missing or was changed.",
                rule="What is handed out is what was attached.",
                next_step="Run 'calfleet verify'; restore the file from a backup.",
            )
        return data

    def kept_files(self) -> Iterator[KeptFile]:
        """Everything that lies in the folder of attachments, by place; nothing without a folder."""
        if not self.attachments.is_dir():
            return
        for path in sorted(self.attachments.rglob("*")):
            if path.is_dir() and not path.is_symlink():
                continue
            place = path.relative_to(self.attachments).as_posix()
            try:
                size = path.lstat().st_size
                plain = path.is_file() and not path.is_symlink()
                digest = self._digest(path) if plain else None
            except OSError:
                size, digest = 0, None
            yield KeptFile(place, size, digest, part=place.endswith(PART))

    def _kept(self, digest: str) -> Path:
        return self.attachments / digest[:2] / digest[2:]

    @staticmethod
    def _digest(path: Path) -> str:
        import hashlib

        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()

    def upgrade(
        self, progress: Callable[[str], None] = lambda _: None
    ) -> tuple[str | None, str, Path | None]:
        """Revision before and after, and the backup made first (none when nothing was to do).

        Raises: SiteNotFound, SchemaMismatch for a database of a newer program, StoreRefused.
        """
        from calfleet.store.engine import open_engine, public_name, refusals
        from calfleet.store.schema import revision_of, upgrade

        file = self.database_file()
        engine = open_engine(self.url)
        try:
            with refusals(self.url):
                before = revision_of(engine)
        finally:
            engine.dispose()
        saved = None
        if before is not None and before > HEAD:
            require_head(before, public_name(self.url))
        if before is not None and before != HEAD:
            if file is not None:
                self.require_writable()
            saved = self.backup(None, name="before-upgrade", progress=progress)[0]
        return before, upgrade(self.url), saved

    def export(
        self, target: Path, progress: Callable[[str], None] = lambda _: None
    ) -> CopyManifest:
        """The manifest of the export written to the new folder ``target``: every record, the
        attached files and the settings, as plain files.

        Raises: RecordRefused when ``target`` is there, SiteNotFound, SchemaMismatch, StoreRefused.
        """
        from calfleet.keeping.copies import make_export

        self.engine().dispose()
        return make_export(self._subject(), target, progress)

    def backup(
        self,
        target: Path | None = None,
        *,
        name: str = "backup",
        progress: Callable[[str], None] = lambda _: None,
    ) -> tuple[Path, CopyManifest]:
        """The backup written to the new file ``target``, by default in the site's own folder of
        backups under ``name`` and the time; and its manifest.

        Also of a database of an older revision, as before an upgrade.

        Raises: RecordRefused when ``target`` is there, SiteNotFound, SchemaMismatch, StoreRefused.
        """
        from calfleet.keeping.copies import make_backup

        self.database_file()
        subject = self._subject()
        if target is None:
            stamp = subject.at.strftime("%Y%m%dT%H%M%S%f")
            target = self.root / BACKUPS / f"{name}-{stamp}.zip"
        return target, make_backup(subject, target, progress)

    def _subject(self) -> CopySubject:
        from calfleet.keeping.copies import Subject

        return Subject(
            url=self.url,
            attachments=self.attachments,
            settings=(self.root / SETTINGS).read_text(encoding="utf-8"),
            at=self.now(),
        )


def find_site(
    explicit: Path | None,
    *,
    start: Path | None = None,
    environment: Mapping[str, str] | None = None,
) -> SiteFolder:
    """The site named by ``explicit``, else by ``CALFLEET_SITE``, else the nearest folder upward.

    Raises: SiteNotFound when there is none, UsageError when its settings cannot be read.
    """
    environment = os.environ if environment is None else environment
    named = explicit or (
        Path(environment["CALFLEET_SITE"]) if environment.get("CALFLEET_SITE") else None
    )
    if named is not None:
        if not (named / SETTINGS).is_file():
            raise SiteNotFound(
                f"{named} is not a calfleet site: it holds no {SETTINGS}.",
                rule="A site is a folder with its settings file.",
                next_step="Name the folder itself, or make one: 'calfleet demo DIR' or "
                "'calfleet build DIR --from INPUT'.",
            )
        return read_settings(named.resolve())
    here = (start or Path.cwd()).resolve()
    for folder in (here, *here.parents):
        if (folder / SETTINGS).is_file():
            return read_settings(folder)
    raise SiteNotFound(
        f"No calfleet site in {here} or any folder above it.",
        rule=f"A site is a folder with a {SETTINGS}.",
        next_step="Go to a site's folder, or name one with --site DIR or CALFLEET_SITE, "
        "or make one: 'calfleet demo DIR'.",
    )


def read_settings(root: Path) -> SiteFolder:
    """The site in folder ``root``.

    Raises: UsageError naming the settings file and the key that is wrong.
    """
    path = root / SETTINGS
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise UsageError(
            f"{path} cannot be read: {error}.",
            rule="The settings are a TOML file in UTF-8.",
            next_step="Correct the line named.",
        ) from error
    database = data.get("database", {})
    url = database.get("url", f"sqlite:///{DATABASE}") if isinstance(database, dict) else None
    fixed = data.get("clock", {}).get("fixed") if isinstance(data.get("clock", {}), dict) else 0
    if not isinstance(url, str):
        raise _setting(path, "database.url", 'a text such as "sqlite:///site.sqlite"')
    if fixed is not None and not (isinstance(fixed, date) and not isinstance(fixed, datetime)):
        raise _setting(path, "clock.fixed", "a date such as 2026-11-25, without quotes")
    if url.startswith(SQLITE) and len(url) > len(SQLITE):
        file = (root / url.removeprefix(SQLITE)).resolve()
        url = f"{SQLITE}{quote(str(file), safe='/ :')}"  # a folder may be called "50%" or "why?"
    elif not url.startswith(POSTGRESQL):
        raise _setting(path, "database.url", f"{SQLITE}FILE or {POSTGRESQL}USER@HOST/DATABASE")
    return SiteFolder(
        root=root,
        url=url,
        attachments=root / str(database.get("attachments", ATTACHMENTS)),
        fixed_day=fixed,
        attachment_limit=_attachment_limit(path, data),
    )


def _attachment_limit(path: Path, data: Mapping[str, object]) -> int:
    given = data.get("attachments", {})
    limit = given.get("limit_mib", LIMIT_MIB) if isinstance(given, dict) else None
    if isinstance(limit, bool) or not isinstance(limit, int | float) or not 0 < limit <= 2048:
        raise _setting(path, "attachments.limit_mib", "a number of MiB above 0, at most 2048")
    return int(limit * 2**20)


def _sync_folder(folder: Path) -> None:
    """Have the folder's list of names on the disk, where the system can."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _setting(path: Path, key: str, wanted: str) -> UsageError:
    return UsageError(
        f"{path}: the setting {key} is not usable.",
        rule=f"{key} must be {wanted}.",
        next_step="Correct it and run the command again.",
    )


def new_site(root: Path, *, fixed_day: date | None = None, url: str | None = None) -> SiteFolder:
    """A new site in folder ``root``: settings, attachments folder and an empty database.

    Raises: RecordRefused when a site or anything else is there already, UsageError for a URL that
    is none, StoreRefused when the database cannot be made; no folder is left then.
    """
    root = root.resolve()
    if (root / SETTINGS).exists():
        raise RecordRefused(
            f"{root} holds a calfleet site already.",
            rule="A site is never overwritten.",
            next_step="Choose another folder, or remove this one yourself if it was a trial.",
        )
    if root.exists() and (not root.is_dir() or any(root.iterdir())):
        raise RecordRefused(
            f"{root} exists and is not an empty folder.",
            rule="A new site needs a folder of its own.",
            next_step="Name a folder that does not exist yet.",
        )
    existed = root.exists()
    (root / ATTACHMENTS).mkdir(parents=True)
    try:
        return _filled(root, fixed_day, url)
    except BaseException:
        import shutil

        # nothing half-made is left behind; the folder was empty or not there
        for path in root.iterdir():
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        if not existed:
            root.rmdir()
        raise


def site_from_copy(
    copy: Path,
    root: Path,
    *,
    url: str | None = None,
    kept_head: str | None = None,
    keep_differences: bool = False,
    progress: Callable[[str], None] = lambda _: None,
) -> tuple[SiteFolder, Restored]:
    """A new site in folder ``root`` from an export or a backup, checked before it is put in
    place; and what was found on the way.

    ``url``: an empty PostgreSQL database to fill; without it the site gets a SQLite file.
    ``kept_head``: a head of the audit trail kept elsewhere that must be in the copy.
    ``keep_differences``: take over records that are not as the audit trail says, and tell them.

    Raises: CopyDamaged, RecordRefused when ``root`` or the database holds anything, UsageError,
    SchemaMismatch, StoreRefused; nothing is left then.
    """
    from calfleet.keeping.restore import restore

    if url is not None and not url.startswith(POSTGRESQL):
        raise UsageError(
            f"{url.partition('://')[0]} is not an address of a database server.",
            rule=f"A database beside the site's folder is {POSTGRESQL}USER@HOST/DATABASE.",
            next_step="Leave it out for a site in one folder.",
        )
    made = restore(
        copy,
        root.resolve(),
        database_url=url,
        kept_head=kept_head,
        keep_differences=keep_differences,
        new_settings=lambda address: _settings_text(None, address),
        progress=progress,
    )
    return read_settings(root.resolve()), made


def _settings_text(fixed_day: date | None, url: str) -> str:
    lines = [
        "# Settings of a calfleet site. Paths are relative to this folder.",
        "[database]",
        f'url = "{url}"',
        f'attachments = "{ATTACHMENTS}"',
    ]
    if fixed_day is not None:
        lines += ["", "[clock]", "# A demo site: it believes that it is always this day.",
                  f"fixed = {fixed_day.isoformat()}"]  # fmt: skip
    return "\n".join(lines) + "\n"


def _filled(root: Path, fixed_day: date | None, url: str | None) -> SiteFolder:
    text = _settings_text(fixed_day, url or f"sqlite:///{DATABASE}")
    (root / SETTINGS).write_text(text, encoding="utf-8")
    from calfleet.store.schema import upgrade

    site = read_settings(root)
    upgrade(site.url)
    return site


def sample_folder() -> Path:
    """Where the demo's input files lie: inside an installed wheel, or beside the checkout.

    Raises: SiteNotFound when neither is there.
    """
    package = Path(__file__).resolve().parent
    for folder in (package / "_sample_site", package.parent / "sample_site"):
        if (folder / "site.toml").is_file():
            return folder
    raise SiteNotFound(
        "The sample input files of this installation are missing.",
        rule="They are part of the package.",
        next_step="Install calfleet again.",
    )
