# SPDX-License-Identifier: GPL-3.0-or-later
"""New secrets come with an ordinary push; settings for another place wait for the next start.

The push of new secrets goes out while all instruments are off, as at the dock.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from provision.commands import run
from provision.errors import UserError
from provision.profile.secrets import store
from provision.push.result import Outcome
from provision.render import OpenBoat
from provision.verify.heard import RECENT_S
from tests.support.boats import Club, Virtual

BOAT = "kittiwake"

#: Seconds of the trial that follows a start: the tablet finds the new network meanwhile, or a push
#: proves the boat there.
TIMER, PROOF = 75, 120

#: Seconds beyond it; everything aboard an emulated boat takes its time.
BEYOND = 60


def shown(boat: Virtual) -> set[str]:
    """Return the host keys that the boat shows. A busy boat may have to be asked again."""
    command = ["ssh-keyscan", "-t", "ed25519,ecdsa,rsa", "-T", 60, "-p", boat.endpoint.port]
    for _ in range(5):
        scan = run(*command, boat.endpoint.host, check=False).stdout
        if found := {" ".join(line.split()[1:3]) for line in scan.splitlines() if line[:1] != "#"}:
            return found
    raise AssertionError("the boat shows no host key at all")


def waited(boat: Virtual, on_trial: bool, seconds: float) -> dict[str, Any]:
    """Wait until something, or nothing, is on trial and nothing at work; return the status."""
    end = time.monotonic() + seconds
    while True:
        status = boat.status()
        if bool(status["trial"]) == on_trial and not status["at_work"]:
            return status
        assert time.monotonic() < end, status
        time.sleep(1)


@pytest.fixture(scope="module")
def rotated(club: Club, tmp_path_factory: pytest.TempPathFactory) -> Club:
    """Give the same club, with another pass-phrase and another host key for the boat."""
    copy = club.copy(tmp_path_factory.mktemp("rotated") / "boats")
    command = ["-m", "provision", "keys", BOAT, "--boats", str(copy.folder)]
    rotate = ["--rotate", "pass_phrase", "--rotate", "host_key"]
    subprocess.run([sys.executable, *command, *rotate], check=True)
    return copy


@pytest.fixture(scope="module")
def after(kittiwake: Virtual, rotated: Club) -> Virtual:
    """Give the boat as the operator knows it after the rotation."""
    old, new = kittiwake.bench.secrets, rotated.open_boat(BOAT).secrets
    assert new.pass_phrase != old.pass_phrase
    assert shown(kittiwake) == {store.host_public_key(old)}
    instruments = kittiwake.bench.instruments
    assert instruments is not None
    instruments.stop()
    time.sleep(RECENT_S + 1)
    result = kittiwake.push(rotated)
    instruments.start()
    assert result.outcome is Outcome.KEPT, (result.step, result.reason)
    # A boat whose instruments are off takes the change, and the push says what was not shown.
    noted = {note.partition(":")[0] for note in result.notes}
    assert noted >= {f"link is heard [{name}]" for name in kittiwake.bench.profile.serial_links}
    assert {"/etc/hostapd/boat.conf", "/etc/ssh/ssh_host_ed25519_key"} <= {*result.changed}
    assert new.pass_phrase not in str(result)
    kittiwake.bench.secrets = new
    return Virtual(rotated, kittiwake.bench)


def test_only_the_new_host_key_is_shown(after: Virtual, rotated: Club) -> None:
    """A push that accepts no other key reaches the boat, and finds nothing to do."""
    assert shown(after) == {store.host_public_key(rotated.open_boat(BOAT).secrets)}
    result = after.push()
    assert result.outcome is Outcome.UNCHANGED, result.reason


def test_tablets_join_with_the_new_pass_phrase_only(after: Virtual, club: Club) -> None:
    bench, new = after.bench, after.bench.secrets
    assert bench.join()["address"].startswith("10.47.1.")
    bench.secrets = club.open_boat(BOAT).secrets
    try:
        with pytest.raises(UserError):
            bench.join(seconds=20)
    finally:
        bench.secrets = new
    assert bench.join()["address"].startswith("10.47.1.")


def left_for_another_place(boat: Virtual, folder: Path, ssid: str, timer: int) -> OpenBoat:
    """Leaves settings with another SSID for the boat's next start; nothing changes before it."""
    there = boat.club.copy(folder / "there")
    profile = there.folder / f"{BOAT}.yml"
    profile.write_text(profile.read_text().replace("ssid: Kittiwake", f"ssid: {ssid}"))
    new, kept = there.open_boat(BOAT), boat.status()["kept"]
    assert new.boat.profile.network.access_point.ssid == ssid
    result = boat.push(there, stage=True, timer=timer)
    assert result.outcome is Outcome.STAGED, result.reason
    status = boat.status()
    assert (status["live"], status["kept"], status["trial"]) == (kept, kept, None)
    assert status["staged"]["digest"] == new.render().sha256
    return new


def started_anew(boat: Virtual) -> dict[str, Any]:
    """Pulls the plug and puts it back; the boat's status once settings are on trial there."""
    boat.hang_up()
    boat.power_cycle()
    return waited(boat, on_trial=True, seconds=BEYOND)


def test_settings_for_another_place(after: Virtual, tmp_path: Path) -> None:
    """The settings are on trial from the next start, and unless kept the boat rolls back.

    The unit that begins their trial at a start is started by itself. The next test pulls the plug.
    """
    kept, before = after.status()["kept"], after.bench.profile
    new = left_for_another_place(after, tmp_path, "Kittiwake there", TIMER)
    assert after.bench.join()["address"].startswith("10.47.1.")
    after.ask("systemctl restart boat-staged.service", check=False)
    after.hang_up()
    status = waited(after, on_trial=True, seconds=BEYOND)
    assert (status["live"], status["kept"], status["staged"]) == (new.render().sha256, kept, None)
    assert 0 < status["trial"]["seconds_left"] <= TIMER
    after.bench.profile = new.boat.profile
    try:
        assert after.bench.join()["address"].startswith("10.47.1.")
        status = waited(after, on_trial=False, seconds=TIMER + BEYOND)
    finally:
        after.bench.profile = before
    assert (status["live"], status["kept"], status["drift"]) == (kept, kept, [])
    assert "time was up" in status["last_return"]["reason"]
    assert after.bench.join()["address"].startswith("10.47.1.")


def test_a_push_keeps_settings_that_were_left_for_another_place(
    after: Virtual, tmp_path: Path
) -> None:
    """The last test of this file: the boat has another profile afterwards."""
    new = left_for_another_place(after, tmp_path, f"Kittiwake {time.monotonic():.0f}", PROOF)
    started_anew(after)
    result = after.push(Club(new.boat.file.parent), timer=PROOF)
    assert result.outcome is Outcome.KEPT, (result.step, result.reason)
    status = after.status()
    assert status["live"] == status["kept"] == new.render().sha256
    assert (status["trial"], status["staged"], status["drift"]) == (None, None, [])
