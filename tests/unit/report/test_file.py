# SPDX-License-Identifier: GPL-3.0-or-later
"""A report's file is kept ready before a command begins, and is there whole or not at all."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

import pytest

from provision.errors import UserError
from provision.report.file import ReportFile
from provision.report.page import Page
from tests.support.report.pages import write

REPORT = write(Page("Push", "all is well")).encode()


def test_a_report_is_its_owners_alone_whatever_the_umask(tmp_path: Path) -> None:
    path, before = tmp_path / "r.html", os.umask(0)
    try:
        file = ReportFile(path)
        assert not path.exists()
        (waiting,) = tmp_path.iterdir()
        assert stat.S_IMODE(waiting.stat().st_mode) == 0o600
        file.write(REPORT)
        file.close()
    finally:
        os.umask(before)
    assert path.read_bytes() == REPORT
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [*tmp_path.iterdir()] == [path]


def test_an_earlier_report_is_replaced_in_one_step(tmp_path: Path) -> None:
    path = tmp_path / "r.html"
    path.write_bytes(REPORT)
    path.chmod(0o644)
    file = ReportFile(path)
    assert path.read_bytes() == REPORT
    file.write(REPORT + b"more")
    file.close()
    assert path.read_bytes() == REPORT + b"more"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_nothing_is_left_of_a_report_that_was_not_written(tmp_path: Path) -> None:
    ReportFile(tmp_path / "r.html").close()
    assert [*tmp_path.iterdir()] == []


@pytest.mark.parametrize("kind", ["another file", "empty", "folder", "link", "dangling", "pipe"])
def test_another_kind_of_file_stays(tmp_path: Path, kind: str) -> None:
    path, other = tmp_path / "r.html", tmp_path / "other"
    match kind:
        case "another file":
            path.write_text("boat: tern\n")
        case "empty":
            path.touch()
        case "folder":
            path.mkdir()
        case "link":
            other.write_bytes(REPORT)
            path.symlink_to(other)
        case "dangling":
            path.symlink_to(other)
        case "pipe":
            os.mkfifo(path)
    before = path.lstat()
    with pytest.raises(UserError, match="is no report"):
        ReportFile(path)
    assert path.lstat().st_ino == before.st_ino


@pytest.mark.parametrize("path", ["none/r.html", "file/r.html", "x" * 300 + ".html"])
def test_where_no_file_can_be(tmp_path: Path, path: str) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(UserError, match="the report cannot be written") as caught:
        ReportFile(tmp_path / path)
    assert caught.value.hint
    assert [*tmp_path.iterdir()] == [tmp_path / "file"]


def test_a_full_disk_leaves_the_earlier_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    path = tmp_path / "r.html"
    path.write_bytes(REPORT)
    file = ReportFile(path)
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(UserError, match="No space left"):
        file.write(REPORT + b"more")
    file.close()
    assert path.read_bytes() == REPORT
    assert [*tmp_path.iterdir()] == [path]
