# SPDX-License-Identifier: GPL-3.0-or-later
"""A rollback leaves the boat exactly as it was, at any step at which a trial was stopped."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.rollback import roll_back
from provision.onboard.settings.status import read_status
from provision.onboard.settings.store.state import load_trial
from provision.onboard.settings.trial import start_trial
from tests.support.settings.boat import NEW, OLD, RAM, Boat, Tree, ask, pack, snapshot
from tests.unit.settings.settings_faults import every_kill

NAMES = st.sampled_from(["a", "b", "c"])
PATHS = st.lists(NAMES, min_size=1, max_size=3).map(lambda names: "/etc/" + "/".join(names))
FILES = st.tuples(st.sampled_from([0o600, 0o644, 0o755, 0o400]), st.binary(max_size=20))
TARGETS = st.sampled_from(["/etc/a", "b", "../nowhere"])


def _prefix_free(tree: dict[str, tuple[int, bytes] | str]) -> dict[str, tuple[int, bytes] | str]:
    """Drop paths that would lie below another entry."""
    parents = {path: {str(parent) for parent in Path(path).parents} for path in tree}
    return {path: what for path, what in tree.items() if not parents[path] & tree.keys()}


TREES = st.dictionaries(PATHS, FILES | TARGETS, max_size=8).map(_prefix_free)


def with_base(root: Path, base: Tree, *settings: Tree) -> None:
    """Lay the base's files below the settings, where those have no folder or file instead."""
    taken = {path for tree in settings for path in tree}
    above = {str(parent) for path in taken for parent in Path(path).parents}
    for path, what in base.items():
        parents = {str(parent) for parent in Path(path).parents}
        if path in above or parents & taken:
            continue
        for file in (root / "run/boat/base" / path.lstrip("/"), root / path.lstrip("/")):
            file.parent.mkdir(parents=True, exist_ok=True)
            if isinstance(what, str):
                file.symlink_to(what)
            else:
                file.write_bytes(what[1])
                file.chmod(what[0])


@given(base=TREES, old=TREES, new=TREES)
@settings(max_examples=80)
def test_return_undoes_any_trial(base: Tree, old: Tree, new: Tree) -> None:
    with TemporaryDirectory(dir=RAM) as folder:
        root = Path(folder)
        with_base(root, base, old, new)
        boat = Boat.booted(root, *pack(old))
        before = snapshot(root)
        data, digest = pack(new)
        start_trial(boat.paths, boat.system, ask(data, digest))
        found = read_status(boat.paths, boat.system)
        assert found["live"] == digest or snapshot(root) == before
        assert found["drift"] == []
        _, code = roll_back(boat.paths, boat.system, "asked for", deadline=False)
        assert code is Exit.OK
        assert snapshot(root) == before


@given(base=TREES, old=TREES, new=TREES)
@settings(max_examples=80)
def test_trial_is_what_the_next_boot_gives(base: Tree, old: Tree, new: Tree) -> None:
    """Files on trial are those that a boot with the same settings unpacks over the base."""
    with TemporaryDirectory(dir=RAM) as one, TemporaryDirectory(dir=RAM) as other:
        for root in (Path(one), Path(other)):
            with_base(root, base, old, new)
        boat = Boat.booted(Path(one), *pack(old))
        Boat.booted(Path(other), *pack(new))
        start_trial(boat.paths, boat.system, ask(*pack(new)))
        tried = {p: w for p, w in snapshot(Path(one)).items() if w[0] != "folder"}
        tried.pop("etc/boat/.return-space", None)
        booted = {p: w for p, w in snapshot(Path(other)).items() if w[0] != "folder"}
        assert tried == booted


@pytest.fixture
def fresh(tmp_path: Path) -> Boat:
    """Give a boat whose base has files below some that the settings bring."""
    root = tmp_path / "boat"
    base: Tree = {"/etc/hosts": (0o644, b"base\n"), "/etc/old.conf": (0o644, b"base\n")}
    with_base(root, base)
    return Boat.booted(root, *pack({**OLD, "/etc/old.conf": (0o600, b"ours\n")}))


CHANGED: Tree = {**NEW, "/etc/hosts": (0o644, b"ours\n")}


def renewed(boat: Boat, copy: Path) -> None:
    """Return the boat as it was when `copy` was taken of it."""
    shutil.rmtree(boat.paths.root)
    shutil.copytree(copy, boat.paths.root, symlinks=True)


def assert_home(boat: Boat, files: dict[str, tuple[Any, ...]], units: dict[str, bytes]) -> None:
    """Files, units, trial and timer are as if there had been no trial."""
    assert snapshot(boat.paths.root) == files
    assert boat.system.running() == units
    assert load_trial(boat.paths) is None
    assert not boat.paths.trial_archive.exists()


def test_a_trial_killed_anywhere_is_undone_by_the_timer(fresh: Boat, tmp_path: Path) -> None:
    files, units = snapshot(fresh.paths.root), fresh.system.running()
    shutil.copytree(fresh.paths.root, copy := tmp_path / "copy", symlinks=True)
    request = ask(*pack(CHANGED))

    def work(step: int) -> Callable[[], object]:
        renewed(fresh, copy)
        boat = fresh.again()
        return lambda: start_trial(boat.paths, boat.system, request)

    steps = 0
    for _step in every_kill(work):
        boat = fresh.again()
        changed = snapshot(boat.paths.root) != files or boat.system.running() != units
        assert boat.system.armed() or not changed, "something changed with no timer armed"
        _, code = roll_back(boat.paths, boat.system, "time is up", deadline=True)
        assert code is Exit.OK
        assert_home(boat, files, units)
        steps += 1
    assert steps > 50
    assert load_trial(fresh.paths) is not None, "the trial that nobody killed is on"


def test_a_return_killed_anywhere_is_finished_by_the_next(fresh: Boat, tmp_path: Path) -> None:
    files, units = snapshot(fresh.paths.root), fresh.system.running()
    start_trial(fresh.paths, fresh.system, ask(*pack(CHANGED)))
    shutil.copytree(fresh.paths.root, copy := tmp_path / "copy", symlinks=True)

    def work(step: int) -> Callable[[], object]:
        renewed(fresh, copy)
        boat = fresh.again()
        return lambda: roll_back(boat.paths, boat.system, "asked for", deadline=False)

    steps = 0
    for _step in every_kill(work):
        boat = fresh.again()
        on = load_trial(boat.paths) is not None
        assert boat.system.armed() or not on, "a trial is on with no timer to end it"
        roll_back(boat.paths, boat.system, "time is up", deadline=True)
        assert_home(boat, files, units)
        steps += 1
    assert steps > 40


def test_a_killed_trial_blocks_nobody_once_returned(fresh: Boat) -> None:
    request = ask(*pack(CHANGED))
    runs = every_kill(lambda step: lambda: start_trial(fresh.paths, fresh.system, request))
    for _step in runs:
        if load_trial(fresh.paths) is None:
            continue
        boat = fresh.again()
        if load_trial(fresh.paths).phase == "arming":  # type: ignore[union-attr]
            start_trial(boat.paths, boat.system, request)
        else:
            with pytest.raises(SettingsError) as caught:
                start_trial(boat.paths, boat.system, request)
            assert caught.value.status is Exit.BUSY
            assert "ann@laptop" in caught.value.message
        roll_back(boat.paths, boat.system, "asked for", deadline=False)
