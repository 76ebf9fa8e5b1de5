# SPDX-License-Identifier: GPL-3.0-or-later
"""Keeping: nothing half made, and the old settings or the new ones after any cut."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import random
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.rollback import roll_back
from provision.onboard.settings.status import read_status
from provision.onboard.settings.store.keep import keep
from provision.onboard.settings.store.state import load_trial, read_json, read_pointer
from provision.onboard.settings.trial import start_trial
from tests.support.settings.boat import NEW, OLD, Boat, ask, pack, snapshot
from tests.unit.settings.settings_card import Card, State
from tests.unit.settings.settings_faults import every_kill, failing_at

OLDER, _ = pack({**OLD, "/etc/hostname": (0o644, b"older\n")})
DATA, DIGEST = pack(NEW)
HOME = pack(OLD)[1]

#: Settings that change no secret: those that they follow may come back.
PLAIN, PLAIN_DIGEST = pack({**OLD, "/etc/hostname": (0o644, b"plain\n")})


@pytest.fixture
def tried(boat: Boat) -> Boat:
    """Put the new settings on trial, with previous and stale archives on the card."""
    return on_trial(boat, DATA, DIGEST)


@pytest.fixture
def plain(boat: Boat) -> Boat:
    """Give the same with settings on trial that revoke nothing."""
    return on_trial(boat, PLAIN, PLAIN_DIGEST)


def on_trial(boat: Boat, data: bytes, new: str) -> Boat:
    store = boat.paths.store
    digest = hashlib.sha256(OLDER).hexdigest()
    (store / f"{digest}.tar").write_bytes(OLDER)
    (store / "previous").write_text(f"{digest}  {digest}.tar\n")
    (store / f"{'5' * 64}.tar").write_bytes(b"stale")
    (store / ".kept.new").write_bytes(b"unfinished")
    start_trial(boat.paths, boat.system, ask(data, new))
    return boat


def chosen(files: State) -> str | None:
    """Return the digest that a boot takes: that of the first pointer whose archive is whole."""
    for name in ("kept", "previous"):
        line = files.get(name, b"").decode("ascii", "replace")
        digest, _, target = line.rstrip("\n").partition("  ")
        if hashlib.sha256(files.get(target, b"")).hexdigest() == digest:
            return digest
    return None


def on_card(boat: Boat) -> State:
    return {file.name: file.read_bytes() for file in boat.paths.store.iterdir()}


def test_keep(tried: Boat) -> None:
    live = snapshot(tried.paths.root)
    assert keep(tried.paths, tried.system, DIGEST) == {"kept": DIGEST, "previous": DIGEST}
    assert {*on_card(tried)} == {f"{DIGEST}.tar", f"{DIGEST}.copy", "kept", "previous"}
    assert on_card(tried)["kept"] == f"{DIGEST}  {DIGEST}.tar\n".encode()
    assert tried.paths.settings.read_bytes() == DATA
    assert tried.paths.settings.stat().st_mode & 0o777 == 0o600
    assert not tried.paths.trial_archive.exists()
    live.pop("etc/boat/.return-space")
    assert snapshot(tried.paths.root) == live
    found = read_status(tried.paths, tried.system)
    assert (found["live"], found["kept"], found["trial"]) == (DIGEST, DIGEST, None)
    assert found["degraded"] is False
    assert not tried.system.armed()


def test_keeping_again_and_returning_change_nothing(tried: Boat) -> None:
    keep(tried.paths, tried.system, DIGEST)
    before = snapshot(tried.paths.root, without=("run",))
    assert keep(tried.paths, tried.system, DIGEST)["kept"] == DIGEST
    result, code = roll_back(tried.paths, tried.system, "asked for", deadline=False)
    assert (result["changed"], code) == ([], Exit.OK)
    assert snapshot(tried.paths.root, without=("run",)) == before


def test_after_keep_the_boat_returns_to_the_new_settings(tried: Boat) -> None:
    keep(tried.paths, tried.system, DIGEST)
    before = snapshot(tried.paths.root)
    start_trial(tried.paths, tried.system, ask(*pack(OLD)))
    roll_back(tried.paths, tried.system, "asked for", deadline=False)
    assert snapshot(tried.paths.root) == before


def test_only_what_is_on_trial_is_kept(tried: Boat) -> None:
    with pytest.raises(SettingsError) as caught:
        keep(tried.paths, tried.system, HOME)
    assert caught.value.status is Exit.BUSY
    roll_back(tried.paths, tried.system, "asked for", deadline=False)
    with pytest.raises(SettingsError) as caught:
        keep(tried.paths, tried.system, DIGEST)
    assert (caught.value.kind, caught.value.status) == ("no-trial", Exit.REFUSED)
    assert chosen(on_card(tried)) == HOME


def test_too_late(tried: Boat) -> None:
    tried.system.clock += 61
    with pytest.raises(SettingsError) as caught:
        keep(tried.paths, tried.system, DIGEST)
    assert caught.value.status is Exit.ON_TRIAL
    assert chosen(on_card(tried)) == HOME


@pytest.mark.parametrize("error", [errno.EROFS, errno.ENOSPC, errno.EIO])
def test_a_card_that_stops_taking_writes(tried: Boat, error: int, tmp_path: Path) -> None:
    """At each write in turn: the failure is said, the old settings stay, the trial goes on."""
    shutil.copytree(tried.paths.root, copy := tmp_path / "copy", symlinks=True)
    number = failures = 0
    while True:
        calls, count = failing_at(number, error)
        with pytest.MonkeyPatch.context() as patch:
            for name, call in calls.items():
                patch.setattr(os, name, call)
            try:
                keep(tried.paths, tried.system, DIGEST)
            except SettingsError as failure:
                failures += 1
                assert failure.status is Exit.ON_TRIAL
                assert os.strerror(error) in failure.message
                assert load_trial(tried.paths).phase == "applied"  # type: ignore[union-attr]
                assert tried.system.armed()
                assert chosen(on_card(tried)) in (HOME, DIGEST)
            else:
                assert chosen(on_card(tried)) == DIGEST
        if count[0] <= number:
            break
        shutil.rmtree(tried.paths.root)
        shutil.copytree(copy, tried.paths.root, symlinks=True)
        number += 1
    assert failures > 5


def test_no_room_on_the_card(tried: Boat) -> None:
    tried.system.free = 1000
    before = on_card(tried)
    with pytest.raises(SettingsError) as caught:
        keep(tried.paths, tried.system, DIGEST)
    assert (caught.value.kind, caught.value.status) == ("data-full", Exit.ON_TRIAL)
    assert chosen(on_card(tried)) == HOME
    assert {*on_card(tried)} <= {*before}


def test_no_data_partition(tried: Boat) -> None:
    tried.system.unmounted.add("data")
    with pytest.raises(SettingsError) as caught:
        keep(tried.paths, tried.system, DIGEST)
    assert (caught.value.kind, caught.value.status) == ("data", Exit.ON_TRIAL)


def test_a_worn_card_is_noticed(tried: Boat, monkeypatch: pytest.MonkeyPatch) -> None:
    """The archive is read back once the page cache was told to forget it."""
    real = os.posix_fadvise

    def forget(descriptor: int, offset: int, length: int, advice: int) -> None:
        real(descriptor, offset, length, advice)
        file = Path(os.readlink(f"/proc/self/fd/{descriptor}"))
        file.write_bytes(bytes(file.stat().st_size))

    monkeypatch.setattr(os, "posix_fadvise", forget)
    with pytest.raises(SettingsError) as caught:
        keep(tried.paths, tried.system, DIGEST)
    assert caught.value.kind == "card"
    assert chosen(on_card(tried)) == HOME


def test_archives_stay_while_a_pointer_cannot_be_read(plain: Boat) -> None:
    (plain.paths.store / "previous").write_bytes(b"\0" * 130)
    before = {name for name in on_card(plain) if name.endswith(".tar")}
    plain.system.free = 0
    with pytest.raises(SettingsError):
        keep(plain.paths, plain.system, PLAIN_DIGEST)
    assert {name for name in on_card(plain) if name.endswith(".tar")} == before
    plain.system.free = 2**30
    keep(plain.paths, plain.system, PLAIN_DIGEST)
    assert read_pointer(plain.paths.store / "previous") == HOME


def test_damaged_kept_settings_never_become_the_previous_ones(plain: Boat) -> None:
    before = read_pointer(plain.paths.store / "previous")
    (plain.paths.store / f"{HOME}.tar").write_bytes(b"damaged")
    keep(plain.paths, plain.system, PLAIN_DIGEST)
    assert read_pointer(plain.paths.store / "previous") == before


def test_a_boat_whose_card_lost_its_settings_keeps_them_again(boat: Boat) -> None:
    shutil.rmtree(boat.paths.store)
    choice = {"choice": "built", "sha256": HOME, "degraded": True, "reason": "none", "data": "ok"}
    boat.paths.choice.write_text(json.dumps(choice))
    keep(boat.paths, boat.system, HOME)
    assert chosen(on_card(boat)) == HOME
    assert read_json(boat.paths.choice) == {
        "choice": "kept",
        "sha256": HOME,
        "degraded": False,
        "reason": "kept again",
        "data": "ok",
    }


def cut_states(
    boat: Boat, monkeypatch: pytest.MonkeyPatch, synced: frozenset[str], digest: str = DIGEST
) -> list[tuple[int, str | None]]:
    """Return what boots after a power cut at each system call of a keep, in many random states."""
    card = Card(boat.paths.store, synced)
    card.watch(monkeypatch)
    keep(boat.paths, boat.system, digest)
    choices = random.Random(1)
    last = len(card.steps) - 1
    return [
        (last - number, chosen(state))
        for number, step in enumerate(card.steps)
        for state in card.states(step, choices, 20)
    ]


def test_power_cut_at_every_step(tried: Boat, monkeypatch: pytest.MonkeyPatch) -> None:
    found = cut_states(tried, monkeypatch, frozenset({"file", "folder"}))
    assert len(found) > 1000
    assert {digest for _, digest in found} == {HOME, DIGEST}
    assert {digest for left, digest in found if left == 0} == {DIGEST}


def test_the_same_where_the_former_settings_stay(
    plain: Boat, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = cut_states(plain, monkeypatch, frozenset({"file", "folder"}), PLAIN_DIGEST)
    assert {digest for _, digest in found} == {HOME, PLAIN_DIGEST}
    assert {digest for left, digest in found if left == 0} == {PLAIN_DIGEST}


@pytest.mark.parametrize(("synced", "wrong"), [({"folder"}, "content"), ({"file"}, "acknowledged")])
def test_the_model_finds_a_missing_sync(
    tried: Boat, monkeypatch: pytest.MonkeyPatch, synced: set[str], wrong: str
) -> None:
    found = cut_states(tried, monkeypatch, frozenset(synced))
    if wrong == "content":
        assert {digest for _, digest in found} - {HOME, DIGEST}
    else:
        assert HOME in {digest for left, digest in found if left == 0}


def test_first_keep_of_all(boat: Boat, monkeypatch: pytest.MonkeyPatch) -> None:
    """With nothing kept before, a cut leaves the new settings, or none: the boat boots as built."""
    for file in boat.paths.store.iterdir():
        file.unlink()
    start_trial(boat.paths, boat.system, ask(DATA, DIGEST))
    found = cut_states(boat, monkeypatch, frozenset({"file", "folder"}))
    assert {digest for _, digest in found} == {None, DIGEST}
    assert {digest for left, digest in found if left == 0} == {DIGEST}


def test_a_keep_killed_anywhere_is_finished_or_undone(tried: Boat, tmp_path: Path) -> None:
    """The timer finishes or undoes it: files, units, RAM and card agree afterwards."""
    shutil.copytree(tried.paths.root, copy := tmp_path / "copy", symlinks=True)
    live = snapshot(tried.paths.root)
    live.pop("etc/boat/.return-space")
    home = tried.again()
    roll_back(home.paths, home.system, "asked for", deadline=False)
    before, units = snapshot(tried.paths.root), tried.system.running()

    def work(step: int) -> Callable[[], object]:
        shutil.rmtree(tried.paths.root)
        shutil.copytree(copy, tried.paths.root, symlinks=True)
        boat = tried.again()
        return lambda: keep(boat.paths, boat.system, DIGEST)

    ends = set()
    for _step in every_kill(work):
        boat = tried.again()
        _, code = roll_back(boat.paths, boat.system, "time is up", deadline=True)
        digest = chosen(on_card(boat))
        ends.add((digest, code))
        found = read_status(boat.paths, boat.system)
        assert found["live"] == digest
        assert found["drift"] == []
        assert found["trial"] is None
        assert snapshot(boat.paths.root) == (live if digest == DIGEST else before)
        if digest == HOME:
            assert boat.system.running() == units
    assert ends == {(HOME, Exit.OK), (DIGEST, Exit.KEPT), (DIGEST, Exit.OK)}


def test_what_was_said_to_be_kept_outlives_a_power_cut(
    tried: Boat, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The keep lasts, too, if its command was stopped between writing the pointer and its sync."""
    shutil.copytree(tried.paths.root, copy := tmp_path / "copy", symlinks=True)
    cards: list[Card] = []

    def work(step: int) -> Callable[[], object]:
        monkeypatch.undo()
        shutil.rmtree(tried.paths.root)
        shutil.copytree(copy, tried.paths.root, symlinks=True)
        boat = tried.again()
        cards.append(Card(boat.paths.store))
        cards[-1].watch(monkeypatch)
        return lambda: keep(boat.paths, boat.system, DIGEST)

    kept = 0
    for _step in every_kill(work):
        boat, card = tried.again(), cards[-1]
        _, code = roll_back(boat.paths, boat.system, "time is up", deadline=True)
        if code is Exit.KEPT:
            kept += 1
            found = {chosen(state) for state in card.states(card.steps[-1], random.Random(1), 5)}
            assert found == {DIGEST}
    assert kept > 1
