"""The folder of attachments: written safely, read with its digest checked, every file told."""

from __future__ import annotations

import hashlib
import os
from dataclasses import replace
from pathlib import Path

import pytest

from calfleet.errors import RecordRefused, StoreRefused, UsageError
from calfleet.site import SiteFolder, read_settings

DATA = b"%PDF-1.7\n%%EOF\n"
DIGEST = hashlib.sha256(DATA).hexdigest()


@pytest.fixture
def site(tmp_path: Path) -> SiteFolder:
    (tmp_path / "calfleet.toml").write_text("", encoding="utf-8")
    return read_settings(tmp_path)


def place(site: SiteFolder) -> Path:
    return site.attachments / DIGEST[:2] / DIGEST[2:]


def test_a_file_is_kept_by_its_digest_and_comes_back(site: SiteFolder) -> None:
    assert list(site.kept_files()) == []  # no folder yet
    site.keep_file(DATA, DIGEST)
    site.keep_file(DATA, DIGEST)  # once more: it is there already
    assert place(site).read_bytes() == DATA
    assert site.kept_file(DIGEST) == DATA
    (kept,) = site.kept_files()
    assert (kept.place, kept.size, kept.digest, kept.part) == (
        f"{DIGEST[:2]}/{DIGEST[2:]}", len(DATA), DIGEST, False,
    )  # fmt: skip
    assert place(site).stat().st_mode & 0o222 == 0, "nobody writes to it by mistake"


def test_another_content_under_that_digest_is_refused(site: SiteFolder) -> None:
    place(site).parent.mkdir(parents=True)
    place(site).write_bytes(b"other")
    with pytest.raises(RecordRefused, match="is not the file that its name says"):
        site.keep_file(DATA, DIGEST)
    with pytest.raises(StoreRefused, match="missing or was changed"):
        site.kept_file(DIGEST)
    assert place(site).read_bytes() == b"other"


def test_a_link_is_never_taken_for_the_file(site: SiteFolder, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.write_bytes(DATA)
    place(site).parent.mkdir(parents=True)
    place(site).symlink_to(elsewhere)
    with pytest.raises(StoreRefused):
        site.kept_file(DIGEST)
    (kept,) = site.kept_files()
    assert kept.digest is None


def test_a_write_that_fails_leaves_nothing(
    site: SiteFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise OSError("the disk is full")

    monkeypatch.setattr(os, "fsync", fails)
    with pytest.raises(OSError, match="disk is full"):
        site.keep_file(DATA, DIGEST)
    assert list(site.kept_files()) == []
    monkeypatch.undo()
    monkeypatch.setattr(os, "replace", fails)
    with pytest.raises(OSError, match="disk is full"):
        site.keep_file(DATA, DIGEST)
    assert list(site.kept_files()) == []


def test_it_is_on_the_disk_before_it_has_its_name(
    site: SiteFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[str] = []
    fsync, rename = os.fsync, os.replace
    monkeypatch.setattr(os, "fsync", lambda fd: (done.append("sync"), fsync(fd))[1])
    monkeypatch.setattr(os, "replace", lambda a, b: (done.append("rename"), rename(a, b))[1])
    site.keep_file(DATA, DIGEST)
    assert done == ["sync", "rename", "sync", "sync"]


def test_a_part_left_behind_is_told_as_one(site: SiteFolder) -> None:
    site.attachments.mkdir()
    (site.attachments / "x.part").write_bytes(b"half")
    (site.attachments / "empty").mkdir()
    (kept,) = site.kept_files()
    assert kept.part


@pytest.mark.parametrize(("text", "limit"), [
    ("", 20 * 2**20),
    ("[attachments]\nlimit_mib = 5", 5 * 2**20),
    ("[attachments]\nlimit_mib = 0.5", 2**19),
])  # fmt: skip
def test_the_limit_is_a_setting(tmp_path: Path, text: str, limit: int) -> None:
    (tmp_path / "calfleet.toml").write_text(text, encoding="utf-8")
    assert read_settings(tmp_path).attachment_limit == limit


@pytest.mark.parametrize("value", ["0", "-1", "true", '"5"', "1e9", "nan"])
def test_a_limit_that_is_none_is_refused(tmp_path: Path, value: str) -> None:
    (tmp_path / "calfleet.toml").write_text(f"[attachments]\nlimit_mib = {value}", encoding="utf-8")
    with pytest.raises(UsageError, match=r"attachments\.limit_mib"):
        read_settings(tmp_path)


def test_the_attachments_may_lie_elsewhere(site: SiteFolder, tmp_path: Path) -> None:
    other = replace(site, attachments=tmp_path / "papers" / "kept")
    other.keep_file(DATA, DIGEST)
    assert other.kept_file(DIGEST) == DATA
