# SPDX-License-Identifier: GPL-3.0-or-later
"""The cache of bases: a fresh one replaces it, and each use compares digests."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from provision.boards import board
from provision.card.base import cache
from provision.card.base.base import Base, write_digests
from provision.card.base.recipe import Recipe
from provision.errors import UserError

BOARD = board("x86-64")
Report = Callable[[str], None]


@pytest.fixture
def built(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Give the builds that took place, each of a base of a few bytes."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setattr(cache.cross_build, "require_emulation", lambda _: None)
    builds: list[int] = []

    def build(recipe: Recipe, target: Path, report: Report) -> None:
        builds.append(len(builds) + 1)
        target.mkdir()
        for name in ("base.squashfs", "boot.fat"):
            (target / name).write_bytes(f"{name} of build {builds[-1]}".encode())
        (target / "base.json").write_text(json.dumps({"built": builds[-1]}))
        write_digests(target)

    monkeypatch.setattr(cache, "build", build)
    return builds


def test_a_cached_base_is_taken_again(built: list[int]) -> None:
    assert cache.get_base(BOARD).folder == cache.get_base(BOARD).folder
    assert built == [1]


def test_a_fresh_base_replaces_the_cached_one_once(built: list[int]) -> None:
    former = cache.get_base(BOARD)
    now = time.time() + 0.01
    time.sleep(0.03)
    for _ in range(2):
        assert cache.get_base(BOARD, built_since=now).facts == {"built": 2}
    assert built == [1, 2]
    assert cache.get_base(BOARD).folder == former.folder
    names = [path.name for path in former.folder.parent.iterdir() if path.is_dir()]
    assert names == [former.folder.name]


def test_a_fresh_base_that_cannot_be_built_leaves_the_cached_one(
    built: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    former = cache.get_base(BOARD)

    def fail(recipe: Recipe, target: Path, report: Report) -> None:
        target.mkdir()
        raise UserError("no network")

    monkeypatch.setattr(cache, "build", fail)
    with pytest.raises(UserError, match="no network"):
        cache.get_base(BOARD, built_since=time.time() + 1)
    assert cache.get_base(BOARD).folder == former.folder
    assert Base(former.folder).facts == {"built": 1}


def test_a_kit_builds_none(built: list[int], monkeypatch: pytest.MonkeyPatch) -> None:
    cache.get_base(BOARD)
    monkeypatch.setenv("PROVISION_KIT", "/media/stick/kit")
    assert cache.get_base(BOARD).facts == {"built": 1}
    with pytest.raises(UserError, match="builds no new base"):
        cache.get_base(BOARD, built_since=time.time() + 1)


@pytest.mark.parametrize("name", ["base.json", "digests.json"])
def test_facts_that_differ_from_what_was_built_are_damage(built: list[int], name: str) -> None:
    base = cache.get_base(BOARD)
    file = base.folder / name
    file.write_text(file.read_text().replace("1", "3"))
    with pytest.raises(UserError, match="the cached base is damaged") as caught:
        _ = Base(base.folder).facts
    assert str(base.folder) in caught.value.hint
    assert built == [1]


def test_a_base_without_digests_is_damaged(built: list[int]) -> None:
    base = cache.get_base(BOARD)
    for text in ("{}", "[]", '{"base.squashfs": "0"}', "no JSON"):
        (base.folder / "digests.json").write_text(text)
        with pytest.raises(UserError, match="damaged"):
            _ = Base(base.folder).digests
    (base.folder / "digests.json").unlink()
    with pytest.raises(UserError, match="damaged"):
        _ = Base(base.folder).digests
