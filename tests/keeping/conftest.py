"""The demo's site exported once, and the means to tamper with a copy of that."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from calfleet.site import SiteFolder, read_settings
from calfleet.store.types import canonical_json


@dataclass(frozen=True)
class Copy:
    """An export that may be changed; ``reseal`` makes its manifest fit again, as a forger would."""

    root: Path

    def table(self, name: str) -> Path:
        return self.root / "tables" / f"{name}.csv"

    def edit(self, name: str, old: str, new: str) -> None:
        """Replace text once in a table's file; it must be there."""
        path = self.table(name)
        data = path.read_bytes()
        assert old.encode() in data, old
        path.write_bytes(data.replace(old.encode(), new.encode(), 1))

    def lines(self, name: str, change: Callable[[list[bytes]], list[bytes]]) -> None:
        """Change a table's file as lines (those of a table whose cells hold no line ends)."""
        path = self.table(name)
        path.write_bytes(b"".join(change(path.read_bytes().splitlines(keepends=True))))

    def manifest(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads((self.root / "manifest.json").read_text("utf-8"))
        return found

    def write_manifest(self, form: dict[str, Any]) -> None:
        (self.root / "manifest.json").write_text(json.dumps(form), encoding="utf-8")

    def reseal(self, **changes: object) -> None:
        form = self.manifest() | changes
        for note in form["files"]:
            data = (self.root / note["path"]).read_bytes()
            note["bytes"] = len(data)
            note["sha256"] = hashlib.sha256(data).hexdigest()
        for name in form["tables"] if form["holds"] == "tables" else ():
            path = self.table(name)
            if name != "audit_entry" and path.exists():
                form["tables"][name] = path.read_bytes().count(b"\r\n") - 1
        form.pop("digest")
        form["digest"] = hashlib.sha256(canonical_json(form).encode()).hexdigest()
        self.write_manifest(form)


@pytest.fixture(scope="session")
def demo(demo_site: Path) -> SiteFolder:
    """The demo's site, to be read only."""
    return read_settings(demo_site)


@pytest.fixture(scope="session")
def exported(demo: SiteFolder, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's site as an export, to be read only."""
    target = tmp_path_factory.mktemp("exported") / "export"
    demo.export(target)
    return target


@pytest.fixture
def copy(exported: Path, tmp_path: Path) -> Copy:
    """A copy of the export, to be tampered with."""
    return Copy(Path(shutil.copytree(exported, tmp_path / "copy")))


@pytest.fixture
def site(demo_site: Path, tmp_path: Path) -> SiteFolder:
    """A copy of the demo's site, to be written to."""
    return read_settings(Path(shutil.copytree(demo_site, tmp_path / "site")))
