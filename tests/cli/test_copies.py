"""export, backup, restore, build --from-export and upgrade as a user runs them."""

from __future__ import annotations

import re
import shutil
import zipfile
from pathlib import Path
from typing import Any

import pytest

from calfleet.store.revision import HEAD
from calfleet.store.schema import upgrade

OLD = "0001"


def flat(text: str) -> str:
    return " ".join(text.split())


def head_in(text: str) -> str:
    found = re.search(r"Head of the audit trail: entry \d+, ([0-9a-f]{64})", text)
    assert found is not None, text
    return found[1]


@pytest.fixture(scope="module")
def exported(demo: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cli") / "export"
    done = demo.run("export", str(folder))
    assert done.code == 0, done.err
    assert "Table calibration_result ..." in done.err  # progress, beside the output
    assert "rows in 59 tables" in done.out or "tables to" in done.out
    return folder


def test_an_export_and_a_site_built_from_it(demo: Any, exported: Path, tmp_path: Path) -> None:
    done = demo.run("build", str(tmp_path / "new"), "--from-export", str(exported))
    assert done.code == 0, done.err
    assert "Built Fenhollow Heat and Power Works" in done.out
    assert "calfleet due" in done.out
    new = str(tmp_path / "new")
    for words in (("due",), ("gauges",), ("trace", "C2026-0145")):
        assert demo.ok(*words, "--site", new) == demo.ok(*words)
    verified = demo.run("verify", "--site", new)
    assert verified.code == 0
    assert head_in(verified.out) == head_in(done.out)


def test_a_backup_and_a_site_restored_from_it(shop: Any, tmp_path: Path) -> None:
    done = shop.run("backup")
    assert done.code == 0, done.err
    (file,) = (shop.root / "backups").iterdir()
    assert file.name.startswith("backup-20261125T")
    assert str(file) in flat(done.out).replace(" ", "") or str(file) in done.out
    again = shop.run("backup", str(tmp_path / "mine.zip"))
    assert head_in(again.out) == head_in(done.out)
    refused = shop.run("backup", str(tmp_path / "mine.zip"))
    assert refused.code == 3
    assert "exists already" in flat(refused.err)

    restored = shop.run("restore", str(file), str(tmp_path / "back"), "--head", head_in(done.out))
    assert restored.code == 0, restored.err
    assert head_in(restored.out) == head_in(done.out)
    assert shop.ok("due", "--site", str(tmp_path / "back")) == shop.ok("due")
    refused = shop.run("restore", str(file), str(shop.root))
    assert refused.code == 3
    assert "not an empty folder" in flat(refused.err)


def test_a_copy_that_is_not_as_it_was_written(demo: Any, exported: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(exported, tmp_path / "copy"))
    table = copy / "tables" / "area.csv"
    table.write_bytes(table.read_bytes().replace(b"BIO", b"BI0", 1))
    (copy / "tables" / "gauge.csv").unlink()
    for words in (("build", "new", "--from-export", "copy"), ("restore", "copy", "new")):
        done = demo.run(*(str(tmp_path / w) if w in ("new", "copy") else w for w in words))
        assert done.code == 1
        assert done.out == ""
        assert "2 problems; nothing was made from it" in flat(done.err)
        assert "tables/area.csv: The file is not as it was written" in done.err
        assert "tables/gauge.csv: The file is missing" in done.err
        assert "Traceback" not in done.err
        assert not (tmp_path / "new").exists()


def test_another_head_than_the_one_kept(demo: Any, exported: Path, tmp_path: Path) -> None:
    done = demo.run("restore", str(exported), str(tmp_path / "new"), "--head", "0" * 64)
    assert done.code == 1
    assert "kept elsewhere, is not in this trail" in flat(done.err)


def test_a_site_is_built_from_one_thing(demo: Any, exported: Path, tmp_path: Path) -> None:
    new = str(tmp_path / "new")
    for words in (
        (),
        ("--from", str(exported), "--from-export", str(exported)),
        ("--from", str(exported), "--keep-differences"),
        ("--from", str(exported), "--head", "0" * 64),
    ):
        done = demo.run("build", new, *words)
        assert done.code == 2, words
        assert "--from-export" in done.err
    done = demo.run("build", new, "--from", str(exported))
    assert done.code == 2
    assert "holds an export" in done.err
    assert "--from-export" in done.err
    done = demo.run("build", new, "--from-export", str(tmp_path / "none"))
    assert done.code == 2
    assert "There is no" in done.err
    done = demo.run("build", new, "--from-export", str(exported), "--database", "sqlite:///x")
    assert done.code == 2
    assert not Path(new).exists()


def test_the_backup_before_an_upgrade_is_one_that_can_be_restored(
    shop: Any, tmp_path: Path
) -> None:
    shop.database.unlink()
    upgrade(f"sqlite:///{shop.database}", to=OLD)
    done = shop.run("upgrade")
    assert done.code == 0, done.err
    (saved,) = (shop.root / "backups").glob("before-upgrade-*.zip")
    assert str(saved) in done.out
    with zipfile.ZipFile(saved) as archive:
        assert {"manifest.json", "site.sqlite", "calfleet.toml"} <= set(archive.namelist())
    back = shop.run("restore", str(saved), str(tmp_path / "old"))
    assert back.code == 0, back.err
    assert f"revision {OLD}" in back.out
    assert "calfleet upgrade" in back.out
    assert shop.run("upgrade", "--site", str(tmp_path / "old")).code == 0
    said = shop.ok("upgrade", "--site", str(tmp_path / "old"))
    assert f"has revision {HEAD} already" in said
