# SPDX-License-Identifier: GPL-3.0-or-later
"""Settings left for the next start: on trial from then, and gone after a second one."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from settings_boat import NEW, OLD, Boat, ask, pack, snapshot
from settings_faults import every_kill

from provision.onboard.settings.durable import keep
from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.restore import give_back
from provision.onboard.settings.stage import begin, stage, unstage
from provision.onboard.settings.state import load_trial, pointer
from provision.onboard.settings.status import status
from provision.onboard.settings.trial import trial

DATA, DIGEST = pack(NEW)
HOME = pack(OLD)[1]


def restarted(boat: Boat) -> Boat:
    """The boat after a start: RAM is as new, the card as it was."""
    root = boat.places.root
    card = root.parent / "card"
    shutil.copytree(boat.places.data, card)
    shutil.rmtree(root)
    digest = pointer(card / "settings/kept") or ""
    again = Boat.booted(root, (card / f"settings/{digest}.tar").read_bytes(), digest)
    shutil.rmtree(again.places.data)
    shutil.move(card, again.places.data)
    return again


def test_staged_settings_are_on_trial_after_the_next_start_only(boat: Boat) -> None:
    before = snapshot(boat.places.root)
    stage(boat.places, boat.system, ask(DATA, DIGEST))
    assert snapshot(boat.places.root) == before
    assert not boat.system.armed()
    found = status(boat.places, boat.system)
    assert found["staged"] == {"digest": DIGEST, "owner": "ann@laptop", "seconds": 60}
    assert found["live"] == HOME

    boat = restarted(boat)
    begin(boat.places, boat.system)
    assert boat.system.armed()
    found = status(boat.places, boat.system)
    assert (found["live"], found["kept"], found["staged"]) == (DIGEST, HOME, None)

    boat = restarted(boat)
    assert begin(boat.places, boat.system) == {"changed": []}
    assert status(boat.places, boat.system)["live"] == HOME


def test_kept_from_there(boat: Boat) -> None:
    stage(boat.places, boat.system, ask(DATA, DIGEST))
    boat = restarted(boat)
    begin(boat.places, boat.system)
    keep(boat.places, boat.system, DIGEST)
    assert status(restarted(boat).places, boat.system)["live"] == DIGEST


def test_staged_settings_outlive_another_push(boat: Boat) -> None:
    stage(boat.places, boat.system, ask(DATA, DIGEST))
    other = pack({**OLD, "/etc/hostname": (0o644, b"other\n")})
    trial(boat.places, boat.system, ask(*other))
    keep(boat.places, boat.system, other[1])
    boat = restarted(boat)
    begin(boat.places, boat.system)
    assert status(boat.places, boat.system)["live"] == DIGEST


def test_unstage(boat: Boat) -> None:
    stage(boat.places, boat.system, ask(DATA, DIGEST))
    assert unstage(boat.places, boat.system)["was"] is not None
    assert unstage(boat.places, boat.system)["was"] is None
    boat = restarted(boat)
    assert begin(boat.places, boat.system) == {"changed": []}


def test_what_is_refused_on_trial_is_refused_here(boat: Boat) -> None:
    with pytest.raises(SettingsError) as caught:
        stage(boat.places, boat.system, ask(*pack(NEW, boat="dunlin")))
    assert (caught.value.kind, caught.value.status) == ("boat", Exit.REFUSED)
    boat.system.free = 0
    with pytest.raises(SettingsError) as caught:
        stage(boat.places, boat.system, ask(DATA, DIGEST))
    assert caught.value.kind == "data-full"
    assert status(boat.places, boat.system)["staged"] is None


def test_a_damaged_archive_is_said_at_the_next_login(boat: Boat) -> None:
    stage(boat.places, boat.system, ask(DATA, DIGEST))
    (boat.places.store / f"{DIGEST}.tar").write_bytes(DATA[:-1])
    boat = restarted(boat)
    with pytest.raises(SettingsError):
        begin(boat.places, boat.system)
    assert "staged for ann@laptop, were not put on trial" in boat.places.notice.read_text()
    assert status(boat.places, boat.system)["live"] == HOME


def test_killed_anywhere(boat: Boat, tmp_path: Path) -> None:
    """Staging and beginning leave the kept settings, or the staged ones with a timer."""
    before = snapshot(boat.places.root)
    shutil.copytree(boat.places.root, copy := tmp_path / "copy", symlinks=True)
    request = replace(ask(DATA, DIGEST), owner="bob")

    def work(step: int) -> Callable[[], object]:
        shutil.rmtree(boat.places.root)
        shutil.copytree(copy, boat.places.root, symlinks=True)
        same = boat.again()

        def both() -> None:
            stage(same.places, same.system, request)
            begin(same.places, same.system)

        return both

    for _step in every_kill(work):
        same = boat.again()
        assert pointer(same.places.store / "kept") == HOME
        found = status(same.places, same.system)["staged"]
        assert found in (None, {"digest": DIGEST, "owner": "bob", "seconds": 60})
        assert same.system.armed() or snapshot(same.places.root) == before
        give_back(same.places, same.system, "time is up", deadline=True)
        assert snapshot(same.places.root) == before
        assert load_trial(same.places) is None
