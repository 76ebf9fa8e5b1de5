# SPDX-License-Identifier: GPL-3.0-or-later
"""`check` warns of an old base in the cache, which the next card would get."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from provision import checks
from provision.card.base import cache
from provision.card.base.base import Base, write_digests
from tests.unit.checks.tern import boat, found

DAY = 86400


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give the folder of the base in the cache."""
    folder = tmp_path / "amd64-0"
    folder.mkdir()
    for name in ("base.squashfs", "boot.fat"):
        (folder / name).write_bytes(b"x")
    monkeypatch.setattr(cache, "find_base", lambda _: Base(folder))
    return folder


def put(folder: Path, days: float) -> None:
    (folder / "base.json").write_text(json.dumps({"built": time.time() - days * DAY}))
    write_digests(folder)


def test_an_old_base_is_a_warning_with_what_to_do(tmp_path: Path, folder: Path) -> None:
    put(folder, 180.5)
    tern = boat(tmp_path)
    assert found(tern) == []
    put(folder, 181.5)
    assert found(tern) == [("warning", "base-age")]
    (finding,) = checks.check([tern])
    assert "181 days old" in finding.message
    assert f"{tern.file} --fresh -o tern.img" in finding.hint
    assert finding.location.line == tern.location("board").line


def test_a_young_base_is_a_figure(tmp_path: Path, folder: Path) -> None:
    put(folder, 12.5)
    (figure,) = [one for one in checks.calculate([boat(tmp_path)]) if one.subject == "base-age"]
    assert (figure.value, figure.limit, figure.verdict) == (12, 180, "fine")


def test_no_base_and_a_damaged_one_stop_no_check(
    tmp_path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(folder, 400)
    tern = boat(tmp_path)
    (folder / "base.json").write_text("{")
    assert found(tern) == []
    monkeypatch.setattr(cache, "find_base", lambda _: None)
    assert found(tern) == []
    assert "base-age" not in {one.subject for one in checks.calculate([tern])}
