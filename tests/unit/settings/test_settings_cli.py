# SPDX-License-Identifier: GPL-3.0-or-later
"""The command: exit statuses, JSON, and connections that die under it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from provision.onboard.settings.cli import main
from provision.onboard.settings.errors import Exit
from provision.onboard.settings.lock import hold_lock
from provision.onboard.settings.store.state import load_trial
from tests.support.settings.boat import NEW, OLD, Boat, Recorder, pack, snapshot
from tests.support.settings.command import DATA, DIGEST, HOME, archive, call, tried

__all__ = ["archive"]


def test_trial_keep_return(boat: Boat, archive: Path, capfd: pytest.CaptureFixture[str]) -> None:
    code, said = call(boat, *tried(archive), capfd=capfd)
    assert (code, said["trial"]["phase"]) == (Exit.OK, "applied")
    code, said = call(boat, *tried(archive, "bob"), capfd=capfd)
    assert (code, said["error"]["kind"]) == (Exit.BUSY, "busy")
    code, said = call(boat, "status", "--json", capfd=capfd)
    assert (code, said["live"], said["trial"]["owner"]) == (0, DIGEST, "ann")
    code, said = call(boat, "keep", "--sha256", DIGEST, capfd=capfd)
    assert (code, said["kept"]) == (Exit.OK, DIGEST)
    code, said = call(boat, *tried(archive), capfd=capfd)
    assert (code, said["changed"]) == (Exit.OK, [])
    code, said = call(boat, "return", capfd=capfd)
    assert (code, said["changed"]) == (Exit.OK, [])


@pytest.mark.parametrize(
    "words",
    [
        ["trial"],
        ["trial", "x", "--sha256", "abc", "--seconds", "60", "--owner", "ann"],
        ["trial", "x", "--sha256", DIGEST, "--seconds", "4", "--owner", "ann"],
        ["trial", "x", "--sha256", DIGEST, "--seconds", "-1", "--owner", "ann"],
        ["keep", "--sha256", DIGEST.upper()],
        ["rest"],
        [],
    ],
)
def test_wrong_usage(boat: Boat, words: list[str], capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main(["--root", str(boat.paths.root), *words], boat.system)
    assert caught.value.code == Exit.UNABLE


def test_no_archive_no_settings(
    boat: Boat, archive: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    archive.unlink()
    assert call(boat, *tried(archive), capfd=capfd)[0] == Exit.UNABLE
    archive.write_bytes(DATA)
    boat.paths.choice.unlink()
    code, said = call(boat, *tried(archive), capfd=capfd)
    assert (code, said["error"]["kind"]) == (Exit.UNABLE, "no-settings")
    code, said = call(boat, "status", "--json", capfd=capfd)
    assert (code, said["live"], said["degraded"]) == (0, None, True)


def test_text_of_others_cannot_drive_a_terminal(
    boat: Boat, archive: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    call(boat, *tried(archive, "ann\x1b[2J\nroot"), capfd=capfd)
    assert load_trial(boat.paths).owner == "ann?[2J?root"  # type: ignore[union-attr]


def test_status_for_people(boat: Boat, archive: Path, capfd: pytest.CaptureFixture[str]) -> None:
    call(boat, *tried(archive), capfd=capfd)
    boat.paths.live("/etc/hostname").write_text("x")
    assert main(["--root", str(boat.paths.root), "status"], boat.system) == 0
    text = capfd.readouterr().out
    assert f"kittiwake (x86-64), settings {DIGEST[:12]}" in text
    assert "on trial for ann (applied), 60 s left" in text
    assert "changed by hand: /etc/hostname (content)" in text


def test_only_one_at_a_time(boat: Boat, archive: Path, capfd: pytest.CaptureFixture[str]) -> None:
    with hold_lock(boat.paths, boat.system, "keep"):
        code, said = call(boat, *tried(archive), capfd=capfd)
    assert code == Exit.BUSY
    assert "boat-settings keep is at work" in said["error"]["message"]


def test_the_deadline_after_the_trial_does_nothing(
    boat: Boat, capfd: pytest.CaptureFixture[str]
) -> None:
    boat.paths.live("/etc/hostname").write_text("by hand")
    code, said = call(boat, "return", "--deadline", capfd=capfd)
    assert (code, said["changed"]) == (0, [])
    assert boat.paths.live("/etc/hostname").read_text() == "by hand"


def test_the_last_resort(boat: Boat, archive: Path, capfd: pytest.CaptureFixture[str]) -> None:
    call(boat, *tried(archive), capfd=capfd)
    system = Recorder(boat.paths.root, failing={"restart hostapd.service"})
    words = ["--root", str(boat.paths.root)]
    assert main([*words, "return"], system) == Exit.ON_TRIAL
    assert "reboot" not in system.calls
    assert boat.system.armed()
    capfd.readouterr()
    assert main([*words, "return", "--deadline"], system) == Exit.REBOOTING
    assert system.calls[-1] == "reboot"
    assert json.loads(capfd.readouterr().out)["rebooting"] is True
    word = json.loads(boat.paths.stored_rollback.read_text())
    assert word["trial"] == DIGEST
    assert "restart hostapd.service failed; the boat was restarted" in word["reason"]
    restarted = Boat.booted(boat.paths.root.parent / "restarted", *pack(OLD))
    (restarted.paths.store / "last-return.json").write_text(boat.paths.stored_rollback.read_text())
    code, said = call(restarted, "status", "--json", capfd=capfd)
    assert (code, said["last_return"]["trial"]) == (0, DIGEST)


def test_the_last_resort_without_settings_in_ram_or_on_the_card(
    boat: Boat, archive: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    call(boat, *tried(archive), capfd=capfd)
    boat.paths.settings.write_bytes(b"damaged")
    (boat.paths.store / f"{HOME}.tar").write_bytes(b"damaged")
    system = boat.again().system
    words = ["--root", str(boat.paths.root), "return", "--deadline"]
    assert main(words, system) == Exit.REBOOTING


def test_a_damaged_copy_in_ram_is_no_reason_to_restart(
    boat: Boat, archive: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    before = snapshot(boat.paths.root)
    call(boat, *tried(archive), capfd=capfd)
    boat.paths.settings.write_bytes(b"damaged")
    code, _ = call(boat, "return", "--deadline", capfd=capfd)
    assert code == Exit.OK
    assert snapshot(boat.paths.root) == before


def test_whoever_logs_in_next_is_told(
    boat: Boat, archive: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    call(boat, *tried(archive), capfd=capfd)
    call(boat, "return", "--reason", "proving failed", capfd=capfd)
    assert boat.paths.notice.read_text() == (
        f"2023-11-14 22:13:20 UTC: settings {DIGEST[:12]}, on trial for ann, were rolled back: "
        "proving failed\n"
    )
    assert call(boat, "status", "--json", capfd=capfd)[1]["last_return"]["owner"] == "ann"
    call(boat, *tried(archive), capfd=capfd)
    call(boat, "keep", "--sha256", DIGEST, capfd=capfd)
    assert not boat.paths.notice.exists()


def test_secrets_stay_in_files_that_only_root_reads(
    boat: Boat, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    canary = b"canary-4711"
    data, digest = pack({**NEW, "/etc/hostapd/wlan0.conf": (0o600, canary)})
    path = tmp_path / "secret.tar"
    path.write_bytes(data)
    boat.paths.settings.chmod(0o600)
    root = ["--root", str(boat.paths.root)]
    start = [*root, "trial", str(path), "--sha256", digest, "--seconds", "60", "--owner", "a"]
    for words in (start, start, [*root, "status", "--json"], [*root, "keep", "--sha256", digest]):
        main(words, boat.system)
        said = capfd.readouterr()
        assert canary.decode() not in said.out + said.err
        for file in boat.paths.root.rglob("*"):
            if file.is_file() and not file.is_symlink() and canary in file.read_bytes():
                inside = file.relative_to(boat.paths.root)
                assert file.stat().st_mode & 0o077 == 0 or str(inside).startswith("run/system")
