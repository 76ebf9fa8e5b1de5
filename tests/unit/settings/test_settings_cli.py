# SPDX-License-Identifier: GPL-3.0-or-later
"""The command: exit statuses, JSON, and connections that die under it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from provision.onboard.settings.cli import main
from provision.onboard.settings.errors import Exit
from provision.onboard.settings.lock import hold_lock
from provision.onboard.settings.store.state import load_trial
from tests.unit.settings.settings_boat import NEW, OLD, Boat, Recorder, pack, snapshot

DATA, DIGEST = pack(NEW)
HOME = pack(OLD)[1]


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    place = tmp_path / "new.tar"
    place.write_bytes(DATA)
    return place


def call(boat: Boat, *arguments: object, capfd: pytest.CaptureFixture[str]) -> tuple[int, dict]:  # type: ignore[type-arg]
    """The exit status and the JSON."""
    words = ["--root", str(boat.paths.root), *map(str, arguments)]
    status = main(words, boat.again().system)
    return status, json.loads(capfd.readouterr().out)


def tried(archive: Path, owner: str = "ann") -> tuple[object, ...]:
    return ("trial", archive, "--sha256", DIGEST, "--seconds", "60", "--owner", owner)


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


def test_archive_from_standard_input(boat: Boat) -> None:
    words = ["trial", "-", "--sha256", DIGEST, "--seconds", "60", "--owner", "ann"]
    done = run(boat, words, data=DATA)
    assert done.returncode == 0
    assert load_trial(boat.paths) is not None
    assert run(boat, words, data=DATA[:-600]).returncode == Exit.BUSY


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


#: A boat-settings whose system actions are recorded, the first reload slow.
PROGRAM = """
import sys, time
from pathlib import Path
sys.path[:0] = {path!r}
from tests.unit.settings.settings_boat import Recorder
from provision.onboard.settings.cli import main

class Slow(Recorder):
    def daemon_reload(self):
        (self.root / "run/slow").touch()
        time.sleep({pause})
        super().daemon_reload()
    def monotonic(self):
        return time.monotonic()
    def sleep(self, seconds):
        time.sleep(seconds)

root = Path({root!r})
sys.exit(main(["--root", str(root), *sys.argv[1:]], Slow(root)))
"""


def program(boat: Boat, words: list[str], pause: float) -> list[str]:
    path = [str(Path(__file__).parents[3])]
    code = PROGRAM.format(path=path, root=str(boat.paths.root), pause=pause)
    return [sys.executable, "-c", code, *words]


def run(boat: Boat, words: list[str], data: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(program(boat, words, 0), input=data, capture_output=True, check=False)


@pytest.fixture
def connection(boat: Boat, archive: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A trial under way, in the middle of its reloads, in a session of its own."""
    words = [str(word) for word in tried(archive)]
    process = subprocess.Popen(
        program(boat, words, 0.5),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    wait_for(boat, "run/slow")
    yield process
    process.communicate()


def wait_for(boat: Boat, path: str) -> None:
    for _ in range(500):
        if (boat.paths.root / path).exists():
            return
        time.sleep(0.01)
    raise AssertionError(f"{path} did not come")


def wait_until_applied(boat: Boat) -> None:
    for _ in range(500):
        found = load_trial(boat.paths)
        if found and found.phase == "applied":
            return
        time.sleep(0.01)
    raise AssertionError("the trial was not finished")


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGINT, signal.SIGKILL, signal.SIGTERM])
def test_a_connection_that_dies_does_not_take_the_trial_with_it(
    boat: Boat, connection: subprocess.Popen[bytes], number: signal.Signals
) -> None:
    os.killpg(connection.pid, number)
    assert connection.wait() != 0
    wait_until_applied(boat)
    assert boat.system.running()["hostapd.service"] == b"ssid=Renamed\n"


def test_nobody_reads_the_answer(boat: Boat, connection: subprocess.Popen[bytes]) -> None:
    assert connection.stdout
    assert connection.stderr
    connection.stdout.close()
    connection.stderr.close()
    connection.wait()
    wait_until_applied(boat)


def test_a_return_ends_a_trial_that_hangs(boat: Boat, archive: Path) -> None:
    before = snapshot(boat.paths.root)
    hanging = subprocess.Popen(
        program(boat, [str(word) for word in tried(archive)], 600), stdout=subprocess.PIPE
    )
    wait_for(boat, "run/slow")
    start = time.monotonic()
    done = run(boat, ["return", "--deadline"])
    assert time.monotonic() - start < 5
    assert done.returncode == 0
    assert snapshot(boat.paths.root) == before
    said = json.loads(hanging.communicate()[0])
    assert hanging.returncode in (Exit.REFUSED, Exit.ON_TRIAL)
    assert said["error"]["kind"] == "stopped"


def test_giving_up_ends_only_what_was_begun(
    boat: Boat, archive: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """Neither another's trial nor changes by hand: a push that was refused undoes nothing."""
    call(boat, *tried(archive), capfd=capfd)
    assert call(boat, "return", "--sha256", HOME, capfd=capfd)[1]["returned"] is None
    assert boat.system.armed()
    assert call(boat, "return", "--sha256", DIGEST, capfd=capfd)[1]["returned"] == DIGEST
    assert not boat.system.armed()
    boat.paths.live("/etc/hostname").write_text("by hand")
    code, said = call(boat, "return", "--sha256", DIGEST, capfd=capfd)
    assert (code, said["changed"]) == (Exit.OK, [])
    assert boat.paths.live("/etc/hostname").read_text() == "by hand"
    with hold_lock(boat.paths, boat.system, "trial"):
        assert json.loads(run(boat, ["status", "--json"]).stdout)["at_work"] == "trial"
        assert call(boat, "return", "--sha256", DIGEST, capfd=capfd)[0] == Exit.BUSY
    assert call(boat, "status", "--json", capfd=capfd)[1]["at_work"] is None


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
    word = json.loads(boat.paths.stored_return.read_text())
    assert word["trial"] == DIGEST
    assert "restart hostapd.service failed; the boat was restarted" in word["reason"]
    restarted = Boat.booted(boat.paths.root.parent / "restarted", *pack(OLD))
    (restarted.paths.store / "last-return.json").write_text(boat.paths.stored_return.read_text())
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
    place = tmp_path / "secret.tar"
    place.write_bytes(data)
    boat.paths.settings.chmod(0o600)
    root = ["--root", str(boat.paths.root)]
    start = [*root, "trial", str(place), "--sha256", digest, "--seconds", "60", "--owner", "a"]
    for words in (start, start, [*root, "status", "--json"], [*root, "keep", "--sha256", digest]):
        main(words, boat.system)
        said = capfd.readouterr()
        assert canary.decode() not in said.out + said.err
        for file in boat.paths.root.rglob("*"):
            if file.is_file() and not file.is_symlink() and canary in file.read_bytes():
                inside = file.relative_to(boat.paths.root)
                assert file.stat().st_mode & 0o077 == 0 or str(inside).startswith("run/system")
