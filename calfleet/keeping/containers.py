"""Where the files of a copy lie: a folder or a zip file, written anew and read without trust."""

from __future__ import annotations

import hashlib
import io
import os
import shutil
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Protocol

from calfleet.errors import RecordRefused, StoreRefused, UsageError

CHUNK = 1 << 20


@dataclass(frozen=True, slots=True)
class FileNote:
    """A file of a copy: its name in there, its size and its SHA-256."""

    path: str
    bytes: int
    sha256: str


class Hashed(io.RawIOBase):
    """A stream that counts and digests what goes through it, written or read."""

    def __init__(self, under: IO[bytes]) -> None:
        super().__init__()
        self._under = under
        self._digest = hashlib.sha256()
        self.size = 0

    def readable(self) -> bool:
        return True

    def writable(self) -> bool:
        return True

    def write(self, data: Any, /) -> int:
        self._under.write(data)
        self._digest.update(data)
        self.size += len(data)
        return len(data)

    def readinto(self, buffer: Any, /) -> int:
        data = self._under.read(len(buffer))
        buffer[: len(data)] = data
        self._digest.update(data)
        self.size += len(data)
        return len(data)

    def sha256(self) -> str:
        """The digest (hex) of what went through so far."""
        return self._digest.hexdigest()


class Sink(Protocol):
    """Takes files one after the other; ``notes`` tells of those written."""

    notes: list[FileNote]

    def _open(self, path: str) -> IO[bytes]: ...


@contextmanager
def written(sink: Sink, path: str) -> Iterator[Hashed]:
    """A stream into the new file ``path`` of ``sink``; noted when it is closed."""
    with sink._open(path) as under:
        stream = Hashed(under)
        yield stream
    sink.notes.append(FileNote(path, stream.size, stream.sha256()))


def put(sink: Sink, path: str, source: IO[bytes]) -> None:
    """Copy ``source`` to the new file ``path`` of ``sink``."""
    with written(sink, path) as stream:
        shutil.copyfileobj(source, stream, CHUNK)


class FolderSink:
    """Files in a folder, which is made when the first is written."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.notes: list[FileNote] = []

    def _open(self, path: str) -> IO[bytes]:
        target = self.root / path
        target.parent.mkdir(parents=True, exist_ok=True)
        return target.open("xb")


class ZipSink:
    """Files in a zip file, compressed, of any size; times of files are left out."""

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self.archive = archive
        self.notes: list[FileNote] = []

    def _open(self, path: str) -> IO[bytes]:
        entry = zipfile.ZipInfo(path)
        entry.compress_type = zipfile.ZIP_DEFLATED
        entry.external_attr = 0o644 << 16
        return self.archive.open(entry, "w", force_zip64=True)


@contextmanager
def new_folder(target: Path) -> Iterator[Path]:
    """A folder that becomes ``target`` when all went well, and is gone when anything did not.

    Raises: RecordRefused when ``target`` exists and is not an empty folder.
    """
    require_new_folder(target)
    target.parent.mkdir(parents=True, exist_ok=True)
    making = _beside(target)
    making.mkdir()
    try:
        yield making
        require_new_folder(target)
        making.rename(target)
    except BaseException:
        shutil.rmtree(making, ignore_errors=True)
        raise


def require_new_folder(target: Path) -> None:
    """Nothing when ``target`` does not exist or is an empty folder.

    Raises: RecordRefused.
    """
    if (target.exists() or target.is_symlink()) and (
        not target.is_dir() or any(target.iterdir()) or target.is_symlink()
    ):
        raise RecordRefused(
            f"{target} exists and is not an empty folder.",
            rule="Nothing is ever overwritten: this needs a folder of its own.",
            next_step="Name a folder that does not exist yet.",
        )


@contextmanager
def new_zip(target: Path) -> Iterator[ZipSink]:
    """A zip file that becomes ``target`` when all went well, safely on disk.

    Raises: RecordRefused when ``target`` exists.
    """
    require_new_file(target)
    target.parent.mkdir(parents=True, exist_ok=True)
    making = _beside(target)
    try:
        with making.open("xb") as file:
            with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as archive:
                yield ZipSink(archive)
            file.flush()
            os.fsync(file.fileno())
        require_new_file(target)
        making.rename(target)
    except BaseException:
        making.unlink(missing_ok=True)
        raise


def require_new_file(target: Path) -> None:
    """Nothing when there is no ``target``.

    Raises: RecordRefused.
    """
    if target.exists() or target.is_symlink():
        raise RecordRefused(
            f"{target} exists already.",
            rule="A file is never overwritten.",
            next_step="Name another file.",
        )


def _beside(target: Path) -> Path:
    """A name in the same folder that nobody has, so that renaming is one step."""
    return target.parent / f".{target.name}.{os.getpid()}.part"


class Source(Protocol):
    """A copy to read: its name for messages, its file names, and a stream of each."""

    name: str

    def names(self) -> list[str]: ...

    def open(self, path: str) -> IO[bytes]: ...


class FolderSource:
    """A copy that lies in a folder. Links are not followed: they count as not there."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.name = str(root)

    def names(self) -> list[str]:
        return sorted(regular_files(self.root))

    def open(self, path: str) -> IO[bytes]:
        return (self.root / path).open("rb")


def regular_files(root: Path) -> Iterator[str]:
    """Names, below ``root``, of the files there; links are left out."""
    for folder, names, files in os.walk(root):
        names.sort()
        for name in files:
            path = Path(folder) / name
            if path.is_file() and not path.is_symlink():
                yield path.relative_to(root).as_posix()


class ZipSource:
    """A copy in a zip file. Two entries of one name, or a name that leads out, are refused."""

    def __init__(self, archive: zipfile.ZipFile, name: str) -> None:
        self.archive = archive
        self.name = name

    def names(self) -> list[str]:
        return sorted(entry.filename for entry in self.archive.infolist() if not entry.is_dir())

    def open(self, path: str) -> IO[bytes]:
        return self.archive.open(path)


@contextmanager
def opened(copy: Path) -> Iterator[Source]:
    """The copy at ``copy``, a folder or a zip file.

    Raises: UsageError when there is nothing, or nothing that could be a copy.
    """
    if copy.is_dir():
        yield FolderSource(copy)
        return
    if not copy.is_file():
        raise UsageError(
            f"There is no {copy}.",
            rule="A copy is a folder made by 'calfleet export' or a file of 'calfleet backup'.",
            next_step="Check the name.",
        )
    try:
        archive = zipfile.ZipFile(copy)
    except (zipfile.BadZipFile, ValueError, NotImplementedError) as error:
        raise UsageError(
            f"{copy} is not a whole zip file: {str(error).rstrip('.')}.",
            rule="A backup is a zip file, and is read only as a whole.",
            next_step="Copy the file again from where it was kept, or take another backup.",
        ) from error
    with archive:
        yield ZipSource(archive, str(copy))


def safe_name(path: str) -> bool:
    """Whether ``path`` is a plain name below the copy: no way out, nothing absolute.

    >>> safe_name("tables/site.csv"), safe_name("../x"), safe_name("/etc/x"), safe_name("a//b")
    (True, False, False, False)
    """
    return (
        "\0" not in path
        and "\\" not in path
        and all(part not in ("", ".", "..") for part in path.split("/"))
    )


def require_plain_name(name: str, folder: Path) -> None:
    """Nothing when a file of that name can be put into a copy and taken out again.

    Raises: StoreRefused.
    """
    try:
        name.encode()
    except UnicodeEncodeError:
        plain = False
    else:
        plain = safe_name(name)
    if not plain:
        shown = name.encode(errors="backslashreplace").decode()
        raise StoreRefused(
            f"The file {shown} in {folder} has a name that a copy cannot hold.",
            rule="Names of files are text in UTF-8 without backslashes.",
            next_step="Rename it, or take it out of the folder of attachments.",
        )
