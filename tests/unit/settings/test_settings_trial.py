# SPDX-License-Identifier: GPL-3.0-or-later
"""A trial acts in a fixed order, and refuses bad settings before anything changes."""

from __future__ import annotations

import errno
import hashlib
import io
import os
import tarfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.live import files as tree
from provision.onboard.settings.paths import MANIFEST
from provision.onboard.settings.status import read_status
from provision.onboard.settings.store.state import load_trial, read_json
from provision.onboard.settings.trial import start_trial
from tests.support.settings.boat import (
    NEW,
    OLD,
    RELOAD,
    WANTS,
    Boat,
    Tree,
    ask,
    pack,
    snapshot,
    tar,
)


def refused(boat: Boat, data: bytes, digest: str, **more: bool) -> SettingsError:
    """Return the error of a trial that must change nothing and arm nothing."""
    before = snapshot(boat.paths.root)
    with pytest.raises(SettingsError) as caught:
        start_trial(boat.paths, boat.system, ask(data, digest, **more))
    assert snapshot(boat.paths.root) == before
    assert not boat.system.armed()
    assert load_trial(boat.paths) is None
    return caught.value


def test_order_of_things(boat: Boat) -> None:
    done = start_trial(boat.paths, boat.system, ask(*pack(NEW)))
    assert boat.system.calls == [
        "arm",
        "stop old.service",
        "daemon-reload",
        "restart hostapd.service",
        "reload nftables.service",
        "start new.service",
    ]
    assert done["changed"] == [
        "/etc/boat/extra/deep/file",
        "/etc/boat/manifest.json",
        "/etc/hostapd/wlan0.conf",
        "/etc/nftables.conf",
        WANTS + "new.service",
        WANTS + "old.service",
    ]
    assert done["started"] == ["new.service"]
    assert done["stopped"] == ["old.service"]


def test_files_arrive_as_packed(boat: Boat) -> None:
    start_trial(boat.paths, boat.system, ask(*pack(NEW)))
    for path, what in NEW.items():
        file = boat.paths.live(path)
        if isinstance(what, str):
            assert os.readlink(file) == what
        else:
            assert file.read_bytes() == what[1]
            assert file.stat().st_mode & 0o7777 == what[0]
    assert not boat.paths.live(WANTS + "old.service").is_symlink()


def test_same_settings_arm_nothing(boat: Boat) -> None:
    data, digest = pack(OLD)
    assert start_trial(boat.paths, boat.system, ask(data, digest)) == {
        "changed": [],
        "digest": digest,
    }
    assert boat.system.calls == []


def test_no_file_is_ever_open_wider_than_its_mode(
    boat: Boat, monkeypatch: pytest.MonkeyPatch
) -> None:
    real: Callable[..., Any] = os.replace
    seen: list[int] = []

    def replace(source: Path, target: Path) -> None:
        if target == boat.paths.live("/etc/hostapd/wlan0.conf"):
            seen.append(os.lstat(source).st_mode & 0o777)
        real(source, target)

    monkeypatch.setattr(os, "replace", replace)
    real_open = os.open

    def opened(path: object, flags: int, mode: int = 0o777, **more: Any) -> int:
        assert not flags & os.O_CREAT or mode & 0o077 == 0
        return real_open(path, flags, mode, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "open", opened)
    old = os.umask(0)
    try:
        start_trial(boat.paths, boat.system, ask(*pack(NEW)))
    finally:
        os.umask(old)
    assert seen == [0o600]
    for file in boat.paths.run.glob("*.tar"):
        assert file.stat().st_mode & 0o777 == 0o600 or file == boat.paths.settings


def test_a_second_trial_is_told_whose_is_on(boat: Boat) -> None:
    start_trial(boat.paths, boat.system, ask(*pack(NEW)))
    boat.system.clock += 20
    with pytest.raises(SettingsError) as caught:
        start_trial(boat.paths, boat.system, ask(*pack({**NEW, "/etc/x": (0o644, b"")})))
    assert caught.value.status is Exit.BUSY
    assert "ann@laptop, 40 s of 60 s left" in caught.value.message
    assert caught.value.details["trial"]["seconds_left"] == 40.0  # type: ignore[index]


@pytest.mark.parametrize(
    ("manifest", "kind", "says"),
    [
        ({"boat": "dunlin"}, "boat", "for the boat dunlin; this is kittiwake"),
        ({"board": "bcm2711-rpi-4-b"}, "board", "for the board bcm2711-rpi-4-b; this is x86-64"),
        ({"base": 2}, "base", "need a base of format 2; this boat's has format 1"),
        ({"format": 2}, "format", "format 2; this boat's base reads format 1"),
        ({"reload": [{"paths": ["/a"], "action": "sh"}]}, "manifest", "no action 'sh'"),
        (
            {"reload": [{"paths": ["/a"], "action": "restart", "unit": "--now"}]},
            "manifest",
            "unit '--now'",
        ),
        ({"files": {}}, "archive", "is not what the manifest says"),
    ],
)
def test_settings_for_elsewhere_are_refused(
    boat: Boat, manifest: dict[str, Any], kind: str, says: str
) -> None:
    error = refused(boat, *pack(NEW, **manifest))
    assert (error.kind, error.status) == (kind, Exit.REFUSED)
    assert says in error.message


@pytest.mark.parametrize(
    "path",
    ["/data/settings/kept", "/run/boat/x", "/etc/../dev/x", "/etc/boat/manifest.json/x", "/etc//x"],
)
def test_paths_that_are_no_place_for_settings(boat: Boat, path: str) -> None:
    files: Tree = {**NEW, path: (0o644, b"")}
    assert refused(boat, *pack(files)).kind in ("manifest", "archive")


def test_forbidden_modes(boat: Boat) -> None:
    for mode in (0o4755, 0o2755, 0o666):
        assert refused(boat, *pack({**NEW, "/etc/x": (mode, b"")})).kind == "manifest"


def test_a_file_below_a_file(boat: Boat) -> None:
    files = {**NEW, "/etc/x": "y", "/etc/x/y": "z"}
    assert "/etc/x is a file and the folder of /etc/x/y" in refused(boat, *pack(files)).message


def test_a_damaged_archive(boat: Boat) -> None:
    data, digest = pack(NEW)
    assert refused(boat, data[:-1], digest).kind == "digest"
    cut = data[: len(data) // 2]
    assert refused(boat, cut, hashlib.sha256(cut).hexdigest()).kind in ("archive", "manifest")


def test_what_the_manifest_does_not_list(boat: Boat) -> None:
    packed = pack(NEW)[0]
    with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
        manifest = archive.extractfile(MANIFEST.lstrip("/"))
        assert manifest is not None
        text = manifest.read()
    extra: Tree = {**NEW, MANIFEST: (0o644, text), "/etc/stray": (0o644, b"")}
    assert "/etc/stray is not what the manifest says" in refused(boat, *tar(extra)).message


def test_no_room_in_ram(boat: Boat) -> None:
    boat.system.free = 2**20
    error = refused(boat, *pack(NEW))
    assert error.kind == "space"
    assert "1048576 bytes free" in error.message


def test_a_timer_that_cannot_be_armed(boat: Boat) -> None:
    boat.system.failing.add("arm")
    error = refused(boat, *pack(NEW))
    assert (error.kind, error.status) == ("timer", Exit.UNABLE)


def test_drift_is_shown_and_not_overwritten(boat: Boat) -> None:
    boat.paths.live("/etc/hostapd/wlan0.conf").write_text("ssid=ByHand\n")
    boat.paths.live("/etc/nftables.conf").chmod(0o666)
    boat.paths.live("/etc/boat/extra/deep").mkdir(parents=True)
    boat.paths.live("/etc/boat/extra/deep/file").write_text("mine")
    error = refused(boat, *pack(NEW))
    assert error.kind == "drift"
    assert error.details["drift"] == [
        {"path": "/etc/boat/extra/deep/file", "what": "present"},
        {"path": "/etc/hostapd/wlan0.conf", "what": "content"},
        {"path": "/etc/nftables.conf", "what": "mode"},
    ]
    start_trial(boat.paths, boat.system, ask(*pack(NEW), overwrite_drift=True))
    assert boat.paths.live("/etc/hostapd/wlan0.conf").read_text() == "ssid=Renamed\n"
    assert read_status(boat.paths, boat.system)["drift"] == []


def test_drift_that_is_what_the_new_settings_say(boat: Boat) -> None:
    boat.paths.live("/etc/hostapd/wlan0.conf").write_text("ssid=Renamed\n")
    done = start_trial(boat.paths, boat.system, ask(*pack(NEW)))
    assert "/etc/hostapd/wlan0.conf" not in done["changed"]  # type: ignore[operator]


def test_pushing_the_same_settings_finds_drift(boat: Boat) -> None:
    boat.paths.live("/etc/hostname").unlink()
    error = refused(boat, *pack(OLD))
    assert error.details["drift"] == [{"path": "/etc/hostname", "what": "missing"}]


def test_a_unit_that_fails_takes_the_trial_back(boat: Boat) -> None:
    before, units = snapshot(boat.paths.root), boat.system.running()
    real = boat.system.renew

    def renew(unit: str, action: str) -> bool:
        bad = "Renamed" in boat.paths.live("/etc/hostapd/wlan0.conf").read_text()
        (boat.system.down.add if bad else boat.system.down.discard)("hostapd.service")
        return real(unit, action)

    boat.system.renew = renew  # type: ignore[method-assign]
    with pytest.raises(SettingsError) as caught:
        start_trial(boat.paths, boat.system, ask(*pack(NEW)))
    assert caught.value.status is Exit.REFUSED
    assert "hostapd.service is failed" in caught.value.message
    assert snapshot(boat.paths.root) == before
    assert boat.system.running() == units
    assert load_trial(boat.paths) is None
    assert not boat.system.armed()
    assert "hostapd.service is failed" in boat.paths.notice.read_text()


def test_a_unit_that_was_down_before_is_no_reason_to_stay_away(boat: Boat) -> None:
    """A broken radio keeps neither a failed trial nor the timer from returning the boat."""
    boat.system.down.add("hostapd.service")
    with pytest.raises(SettingsError) as caught:
        start_trial(boat.paths, boat.system, ask(*pack(NEW)))
    assert caught.value.status is Exit.REFUSED
    assert load_trial(boat.paths) is None


def test_a_failure_that_cannot_be_undone_at_once_is_left_to_the_timer(boat: Boat) -> None:
    boat.system.failing.add("restart hostapd.service")
    with pytest.raises(SettingsError) as caught:
        start_trial(boat.paths, boat.system, ask(*pack(NEW)))
    assert caught.value.status is Exit.ON_TRIAL
    assert boat.system.armed()
    assert load_trial(boat.paths) is not None


def used(boat: Boat) -> int:
    """Bytes in the overlay."""
    return sum(len(w[2]) for w in snapshot(boat.paths.root).values() if w[0] == "file")


def test_an_overlay_that_fills_up_in_the_middle(
    boat: Boat, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The space held back lets the files return although nothing else is left."""
    before = snapshot(boat.paths.root)
    real, room = os.write, [used(boat) + 500_000]

    def write(descriptor: int, data: bytes) -> int:
        target = Path(os.readlink(f"/proc/self/fd/{descriptor}"))
        in_ram = boat.paths.run not in target.parents
        if in_ram and used(boat) + len(data) > room[0]:
            room[0] = used(boat)  # Somebody's log has taken what was left.
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(target))
        return real(descriptor, data)

    monkeypatch.setattr(os, "write", write)
    big = {**NEW, "/etc/boat/big": (0o644, bytes(400_000))}
    with pytest.raises(SettingsError) as caught:
        start_trial(boat.paths, boat.system, ask(*pack(big)))
    assert "No space left" in caught.value.message
    assert caught.value.status is Exit.REFUSED
    assert snapshot(boat.paths.root) == before


def test_virtual_interfaces_are_made_anew(boat: Boat) -> None:
    path = "/etc/systemd/network/20-boat0.netdev"
    netdev = b"[NetDev]\nName=boat0\nKind=bridge\n"
    start_trial(boat.paths, boat.system, ask(*pack({**NEW, path: (0o644, netdev)})))
    assert "networkd boat0" in boat.system.calls


def test_entries_of_settings_that_go_away_still_count(boat: Boat, tmp_path: Path) -> None:
    """A file that only the old settings know how to reload is reloaded when it goes."""
    extra: dict[str, object] = {
        "paths": ["/etc/extra.conf"],
        "action": "restart",
        "unit": "extra.service",
    }
    old = pack({**OLD, "/etc/extra.conf": (0o644, b"")}, [*RELOAD, extra])
    other = Boat.booted(tmp_path / "other", *old)
    start_trial(other.paths, other.system, ask(*pack(OLD)))
    assert "restart extra.service" in other.system.calls


def test_the_manifest_is_written_last(boat: Boat, monkeypatch: pytest.MonkeyPatch) -> None:
    written: list[str] = []
    real = tree._write

    def write(paths: Any, path: str, *rest: Any) -> None:
        written.append(path)
        real(paths, path, *rest)

    monkeypatch.setattr(tree, "_write", write)
    start_trial(boat.paths, boat.system, ask(*pack(NEW)))
    assert written[-1] == MANIFEST


def test_state_says_what_is_on(boat: Boat) -> None:
    data, digest = pack(NEW)
    start_trial(boat.paths, boat.system, ask(data, digest))
    found = read_status(boat.paths, boat.system)
    assert found["live"] == digest
    assert found["kept"] == pack(OLD)[1]
    assert found["trial"]["owner"] == "ann@laptop"  # type: ignore[index]
    assert found["trial"]["phase"] == "applied"  # type: ignore[index]
    assert (read_json(boat.paths.trial) or {})["changed"] == found["trial"]["changed"]  # type: ignore[index]
