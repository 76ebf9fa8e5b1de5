# SPDX-License-Identifier: GPL-3.0-or-later
"""A file that is replaced keeps its mode, its owner, its byte order mark, and links to it."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from provision.errors import UserError
from provision.profile.secrets.rewrite import give, rewrite


def test_what_is_kept(tmp_path: Path) -> None:
    file, link = tmp_path / "tern.yml", tmp_path / "link.yml"
    file.write_bytes(b"\xef\xbb\xbfbaud: 4800\r\n")
    file.chmod(0o640)
    link.symlink_to("tern.yml")
    rewrite(link, "baud: 9600\r\n")
    assert link.is_symlink()
    assert file.read_bytes() == b"\xef\xbb\xbfbaud: 9600\r\n"
    assert stat.S_IMODE(file.stat().st_mode) == 0o640
    assert sorted(one.name for one in tmp_path.iterdir()) == ["link.yml", "tern.yml"]


def test_a_file_that_was_changed_stays(tmp_path: Path) -> None:
    file = tmp_path / "tern.yml"
    file.write_text("baud: 4800\n")
    with pytest.raises(UserError, match="was changed in the meantime"):
        rewrite(file, "baud: 9600\n", before=b"baud: 1200\n")
    assert file.read_text() == "baud: 4800\n"
    rewrite(file, "baud: 9600\n", before=b"baud: 4800\n")
    assert file.read_text() == "baud: 9600\n"


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
def test_what_root_replaces_stays_its_owners(tmp_path: Path) -> None:
    file = tmp_path / "tern.yml"
    file.write_text("baud: 4800\n")
    os.chown(file, 12345, 23456)
    rewrite(file, "baud: 9600\n")
    assert (file.stat().st_uid, file.stat().st_gid) == (12345, 23456)
    new = tmp_path / "new.yml"
    new.touch()
    give(new, file.stat())
    assert (new.stat().st_uid, new.stat().st_gid) == (12345, 23456)
