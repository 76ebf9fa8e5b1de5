# SPDX-License-Identifier: GPL-3.0-or-later
"""Settings left for the next start: on trial from then, and gone after a second one."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.rollback import roll_back
from provision.onboard.settings.stage import begin, stage, unstage
from provision.onboard.settings.status import read_status
from provision.onboard.settings.store.keep import keep
from provision.onboard.settings.store.state import load_trial, read_pointer
from provision.onboard.settings.trial import start_trial
from tests.support.settings.boat import NEW, OLD, Boat, ask, pack, snapshot
from tests.unit.settings.settings_faults import every_kill, failing_at

DATA, DIGEST = pack(NEW)
HOME = pack(OLD)[1]


def restarted(boat: Boat) -> Boat:
    """Start the boat again: its RAM is as new, its card as it was."""
    root = boat.paths.root
    card = root.parent / "card"
    shutil.copytree(boat.paths.data, card)
    shutil.rmtree(root)
    digest = read_pointer(card / "settings/kept") or ""
    again = Boat.booted(root, (card / f"settings/{digest}.tar").read_bytes(), digest)
    shutil.rmtree(again.paths.data)
    shutil.move(card, again.paths.data)
    return again


def test_staged_settings_are_on_trial_after_the_next_start_only(boat: Boat) -> None:
    before = snapshot(boat.paths.root)
    stage(boat.paths, boat.system, ask(DATA, DIGEST))
    assert snapshot(boat.paths.root) == before
    assert not boat.system.armed()
    found = read_status(boat.paths, boat.system)
    assert found["staged"] == {"digest": DIGEST, "owner": "ann@laptop", "seconds": 60}
    assert found["live"] == HOME

    boat = restarted(boat)
    begin(boat.paths, boat.system)
    assert boat.system.armed()
    found = read_status(boat.paths, boat.system)
    assert (found["live"], found["kept"], found["staged"]) == (DIGEST, HOME, None)

    boat = restarted(boat)
    assert begin(boat.paths, boat.system) == {"changed": []}
    assert read_status(boat.paths, boat.system)["live"] == HOME


def test_kept_from_there(boat: Boat) -> None:
    stage(boat.paths, boat.system, ask(DATA, DIGEST))
    boat = restarted(boat)
    begin(boat.paths, boat.system)
    keep(boat.paths, boat.system, DIGEST)
    assert read_status(restarted(boat).paths, boat.system)["live"] == DIGEST


def test_staged_settings_outlive_another_push(boat: Boat) -> None:
    stage(boat.paths, boat.system, ask(DATA, DIGEST))
    other = pack({**OLD, "/etc/hostname": (0o644, b"other\n")})
    start_trial(boat.paths, boat.system, ask(*other))
    keep(boat.paths, boat.system, other[1])
    boat = restarted(boat)
    begin(boat.paths, boat.system)
    assert read_status(boat.paths, boat.system)["live"] == DIGEST


def test_unstage(boat: Boat) -> None:
    stage(boat.paths, boat.system, ask(DATA, DIGEST))
    assert unstage(boat.paths, boat.system)["was"] is not None
    assert unstage(boat.paths, boat.system)["was"] is None
    boat = restarted(boat)
    assert begin(boat.paths, boat.system) == {"changed": []}


def test_what_is_refused_on_trial_is_refused_here(boat: Boat) -> None:
    with pytest.raises(SettingsError) as caught:
        stage(boat.paths, boat.system, ask(*pack(NEW, boat="dunlin")))
    assert (caught.value.kind, caught.value.status) == ("boat", Exit.REFUSED)
    boat.system.free = 0
    with pytest.raises(SettingsError) as caught:
        stage(boat.paths, boat.system, ask(DATA, DIGEST))
    assert caught.value.kind == "data-full"
    assert read_status(boat.paths, boat.system)["staged"] is None


def test_a_damaged_archive_is_said_at_the_next_login(boat: Boat) -> None:
    stage(boat.paths, boat.system, ask(DATA, DIGEST))
    (boat.paths.store / f"{DIGEST}.tar").write_bytes(DATA[:-1])
    boat = restarted(boat)
    with pytest.raises(SettingsError):
        begin(boat.paths, boat.system)
    assert "staged for ann@laptop, were not put on trial" in boat.paths.notice.read_text()
    assert read_status(boat.paths, boat.system)["live"] == HOME


def test_killed_anywhere(boat: Boat, tmp_path: Path) -> None:
    """Staging and beginning leave the kept settings, or the staged ones with a timer."""
    before = snapshot(boat.paths.root)
    shutil.copytree(boat.paths.root, copy := tmp_path / "copy", symlinks=True)
    request = replace(ask(DATA, DIGEST), owner="bob")

    def work(step: int) -> Callable[[], object]:
        shutil.rmtree(boat.paths.root)
        shutil.copytree(copy, boat.paths.root, symlinks=True)
        same = boat.again()

        def both() -> None:
            stage(same.paths, same.system, request)
            begin(same.paths, same.system)

        return both

    for _step in every_kill(work):
        same = boat.again()
        assert read_pointer(same.paths.store / "kept") == HOME
        found = read_status(same.paths, same.system)["staged"]
        assert found in (None, {"digest": DIGEST, "owner": "bob", "seconds": 60})
        assert same.system.armed() or snapshot(same.paths.root) == before
        roll_back(same.paths, same.system, "time is up", deadline=True)
        assert snapshot(same.paths.root) == before
        assert load_trial(same.paths) is None


@contextmanager
def failing_card(number: int, *, once: bool) -> Iterator[list[int]]:
    """Let the card's call with that number fail, and all later calls unless `once` is set."""
    calls, count = failing_at(number, errno.EIO, once=once)
    with pytest.MonkeyPatch.context() as patch:
        for name, call in calls.items():
            patch.setattr(os, name, call)
        yield count


@pytest.mark.parametrize("once", [True, False])
@pytest.mark.parametrize("other", [None, pack({**OLD, "/etc/hostname": (0o644, b"other\n")})])
def test_a_failure_to_stage_leaves_what_was_staged_before(
    boat: Boat, tmp_path: Path, once: bool, other: tuple[bytes, str] | None
) -> None:
    """At each call on the card in turn. Where the card cannot go back, the message says so."""
    if other:
        stage(boat.paths, boat.system, ask(*other))
    before = read_status(boat.paths, boat.system)["staged"]
    shutil.copytree(boat.paths.root, copy := tmp_path / "copy", symlinks=True)
    number, kinds = 0, set()
    while True:
        with failing_card(number, once=once) as count:
            try:
                stage(boat.paths, boat.system, ask(DATA, DIGEST))
            except SettingsError as failure:
                kinds.add(failure.kind)
                assert failure.status is Exit.REFUSED
                assert os.strerror(errno.EIO) in failure.message
                found = read_status(boat.paths, boat.system)["staged"]
                if failure.kind == "card":
                    assert "the next start may put them on trial, or not" in failure.message
                else:
                    assert found == before
        if count[0] <= number:
            break
        shutil.rmtree(boat.paths.root)
        shutil.copytree(copy, boat.paths.root, symlinks=True)
        number += 1
    assert kinds == ({"data"} if once else {"data", "card"})
    assert read_status(boat.paths, boat.system)["staged"] == {
        "digest": DIGEST,
        "owner": "ann@laptop",
        "seconds": 60,
    }


@pytest.mark.parametrize("number", [0, 1])
def test_a_card_that_fails_at_a_start_is_said(boat: Boat, number: int) -> None:
    """The card does not take that nothing is staged any more: no trial, and not in silence."""
    stage(boat.paths, boat.system, ask(DATA, DIGEST))
    before = snapshot(boat.paths.root)
    with failing_card(number, once=False), pytest.raises(SettingsError) as caught:
        begin(boat.paths, boat.system)
    assert (caught.value.kind, caught.value.status) == ("card", Exit.REFUSED)
    said = boat.paths.notice.read_text()
    assert "staged for ann@laptop, were not put on trial: the card failed" in said
    assert "the next start may put them on trial, or not" in said
    assert snapshot(boat.paths.root) == before
    assert not boat.system.armed()


def test_forgetting_on_a_card_that_fails_is_not_said_to_be_done(boat: Boat) -> None:
    """A second call fails, too: the name is gone from memory, and may still be on the card."""
    stage(boat.paths, boat.system, ask(DATA, DIGEST))
    for _ in range(2):
        with failing_card(1, once=False), pytest.raises(SettingsError) as caught:
            unstage(boat.paths, boat.system)
        assert caught.value.kind == "card"
    with failing_card(0, once=False), pytest.raises(SettingsError):
        unstage(boat.paths, boat.system)
    assert unstage(boat.paths, boat.system)["staged"] is None


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"[" * 100_000,
        b'{"digest": 1}',
        f'{{"digest": "{DIGEST}", "owner": "ann", "seconds": 1e999}}'.encode(),
        f'{{"digest": "{DIGEST}", "owner": "ann", "seconds": -1}}'.encode(),
    ],
)
def test_a_damaged_note_of_what_is_staged_is_said_once(boat: Boat, content: bytes) -> None:
    boat.paths.staged.write_bytes(content)
    assert read_status(boat.paths, boat.system)["staged"] is None
    with pytest.raises(SettingsError) as caught:
        begin(boat.paths, boat.system)
    assert "cannot be read" in caught.value.message
    assert "were not put on trial" in boat.paths.notice.read_text()
    assert begin(boat.paths, boat.system) == {"changed": []}
