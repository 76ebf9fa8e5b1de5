# SPDX-License-Identifier: GPL-3.0-or-later
"""A push over several boats: real Ansible over real SSH, and the real program aboard."""

from __future__ import annotations

import hashlib
import json
import re
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

from provision import __version__
from provision.profile.secrets import keygen
from provision.profile.secrets.store import derive_psk
from provision.push.options import PushOptions
from provision.push.push import push
from provision.push.result import Outcome, PushResult
from provision.report.contents.push import push_page
from provision.report.html import write_html
from provision.verify import runner
from tests.support.push.loopback import CANARY, RigBoat

#: A suite that passes without a word or with a note, or fails with one or none, by boat.
PROVER = """
import json, sys
if "changes" in sys.argv[1] and sys.argv[4:5] == ["trial"]:
    before = json.load(open(sys.argv[5].removeprefix("--before=")))
    print(json.dumps({"notes": [f"before this change: {before['links']}"]}))
if "badproof" in sys.argv[1]:
    print(json.dumps({"summary": "devices: the gnss is not there"}))
sys.exit("badproof" in sys.argv[1] or "noproof" in sys.argv[1])
"""


HOSTAPD = "etc/hostapd/boat.conf"

#: What the kernels of these boats say, and why such a boat is not even asked for a change.
AILING = {
    "worncard": (
        {"sys/fs/ext4/any/errors_count": "3\n"},
        "its card has 3 file system errors",
    ),
    "lowvolts": (
        {
            "sys/class/hwmon/hwmon1/name": "rpi_volt\n",
            "sys/class/hwmon/hwmon1/in0_lcrit_alarm": "1\n",
        },
        "its supply voltage is or was too low",
    ),
    "nomemory": (
        {"proc/meminfo": "MemAvailable:     640 kB\n"},
        "it has only 640.00 KB of memory left",
    ),
}


@dataclass
class Fleet:
    boats: dict[str, RigBoat]
    before: dict[str, str]
    results: dict[str, PushResult]
    events: list[dict[str, Any]]
    listed: set[bytes]
    """What the list of processes showed meanwhile: arguments and environments."""


@contextmanager
def process_list() -> Iterator[set[bytes]]:
    """Gathers what others could read of all processes."""
    found, over = set[bytes](), threading.Event()

    def look() -> None:
        while not over.wait(0.05):
            for process in Path("/proc").glob("[0-9]*"):
                for name in ("cmdline", "environ"):
                    with suppress(OSError):
                        found.add((process / name).read_bytes())

    looker = threading.Thread(target=look)
    looker.start()
    try:
        yield found
    finally:
        over.set()
        looker.join()


def other_key() -> str:
    """Return a host key of a kind that no boat has."""
    key = generate_private_key(SECP256R1())
    return key.private_bytes(Encoding.PEM, PrivateFormat.OpenSSH, NoEncryption()).decode()


@pytest.fixture(scope="module")
def notebook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Have the user's own settings make Ansible write down what it does and learns."""
    return tmp_path_factory.mktemp("notebook")


@pytest.fixture(scope="module")
def fleet(rig: Callable[..., RigBoat], here: pytest.MonkeyPatch, notebook: Path) -> Fleet:
    here.setenv("ANSIBLE_LOG_PATH", str(notebook / "log"))
    here.setenv("ANSIBLE_CACHE_PLUGIN", "jsonfile")
    here.setenv("ANSIBLE_CACHE_PLUGIN_CONNECTION", str(notebook / "facts"))
    here.setenv("ANSIBLE_CONFIG", str(notebook / "ansible.cfg"))
    (notebook / "ansible.cfg").write_text(f"[defaults]\nlog_path={notebook / 'log too'}\n")
    here.setattr(runner, "command", lambda job: [sys.executable, "-c", PROVER, str(job)])
    names = ("changes", "same", "badproof", "noproof", "badunits", "drifted", "busy")
    names += ("wrongname", "oldbase", "badcard", "newboard", "oldformat", *AILING)
    boats = {name: rig(name) for name in names}
    boats["changes"].feed(gnss={"present": True, "sentences": 9})
    boats["away"] = rig("away", up=False)
    boats["impostor"] = rig("impostor", host_key=keygen.generate_private_key())
    boats["stranger"] = rig("stranger", host_key=other_key())
    before = {name: boat.open_boat.render().sha256 for name, boat in boats.items()}
    for name, boat in boats.items():
        if name != "same":
            boat.change(f"{name} two", "network", "access_point", "ssid")
    good = hashlib.sha256((boats["badunits"].root / HOSTAPD).read_bytes()).hexdigest()
    (boats["badunits"].folder / "good").write_text(f"{good} {HOSTAPD}")
    (boats["drifted"].root / "etc/hostname").write_text("by hand\n")
    trial = {"digest": "0" * 64, "owner": "somebody@else", "seconds": 60, "deadline": 1e9}
    trial |= {"phase": "applied", "changed": [], "folders": [], "ailing": []}
    (boats["busy"].root / "run/boat/trial.json").write_text(json.dumps(trial))
    boats["renamed"] = boats.pop("wrongname")
    boats["renamed"].change("renamed", "boat")
    (boats["oldbase"].root / "usr/lib/boat-base/base.json").write_text('{"format": 0}')
    manifest = boats["oldformat"].root / "etc/boat/manifest.json"
    manifest.write_text(json.dumps(json.loads(manifest.read_text()) | {"format": 0}))
    boats["newboard"].change("bcm2711-rpi-4-b", "board")
    for name, (files, _) in AILING.items():
        for path, text in files.items():
            file = boats[name].root / path
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(text)
    pointer = boats["badcard"].root / "data/settings/kept"
    pointer.unlink()
    (pointer / "what a worn card made of it").mkdir(parents=True)
    events: list[dict[str, Any]] = []
    options = PushOptions(at={name: boat.endpoint for name, boat in boats.items()}, timer=60)
    with process_list() as listed:
        results = push([boat.open_boat for boat in boats.values()], options, events.append)
    return Fleet(boats, before, {result.boat: result for result in results}, events, listed)


def kept(boat: RigBoat) -> str:
    return (boat.root / "data/settings/kept").read_text().split()[0]


def test_a_change_is_kept(fleet: Fleet) -> None:
    boat, result = fleet.boats["changes"], fleet.results["changes"]
    assert result.outcome is Outcome.KEPT, result
    assert kept(boat) == result.sha256 != fleet.before["changes"]
    assert result.changed == (f"/{HOSTAPD}",)
    assert not (boat.root / "run/boat/trial.json").exists()


def test_nothing_to_change_is_said(fleet: Fleet) -> None:
    result = fleet.results["same"]
    assert (result.outcome, result.changed) == (Outcome.UNCHANGED, ())
    steps = [e["step"] for e in fleet.events if e["event"] == "step" and e["boat"] == "same"]
    assert steps == ["preflight"]


@pytest.mark.parametrize("name", ["badproof", "noproof", "badunits"])
def test_a_failure_returns_the_boat(fleet: Fleet, name: str) -> None:
    boat, result = fleet.boats[name], fleet.results[name]
    assert result.outcome is Outcome.ROLLED_BACK, result
    assert kept(boat) == fleet.before[name]
    assert not (boat.root / "run/boat/trial.json").exists()


def test_the_reason_is_told(fleet: Fleet) -> None:
    assert fleet.results["badproof"].reason == "devices: the gnss is not there"
    assert fleet.results["noproof"].reason == "the suite ended with status 1"
    assert "hostapd.service failed" in fleet.results["badunits"].reason


def test_the_boat_tells_the_reason_too(fleet: Fleet) -> None:
    """The next login aboard shows the reason."""
    result, boat = fleet.results["badcard"], fleet.boats["badcard"]
    assert (result.outcome, result.step) == (Outcome.ROLLED_BACK, "keep")
    assert "nothing was kept" in result.reason
    told = json.loads((boat.root / "run/boat/last-return.json").read_text())["reason"]
    assert told.startswith("nothing was kept")


def test_no_copy_of_the_settings_is_left_aboard(fleet: Fleet) -> None:
    """Only the boat's own archives are there."""
    left = [file for boat in fleet.boats.values() for file in boat.folder.glob("incoming*")]
    assert left == []


def test_changes_by_hand_are_refused(fleet: Fleet) -> None:
    result = fleet.results["drifted"]
    assert result.outcome is Outcome.REFUSED
    assert "/etc/hostname" in result.reason


def test_somebody_elses_trial_is_refused(fleet: Fleet) -> None:
    result = fleet.results["busy"]
    assert result.outcome is Outcome.REFUSED
    assert "somebody@else" in result.reason


def test_a_boat_that_says_another_name_is_refused(fleet: Fleet) -> None:
    result = fleet.results["renamed"]
    assert result.outcome is Outcome.REFUSED
    assert "wrongname" in result.reason


def test_the_suite_has_the_feed_of_before_and_its_notes_stand_in_the_result(fleet: Fleet) -> None:
    note = "before this change: {'gnss': {'present': True, 'sentences': 9}}"
    assert fleet.results["changes"].notes == (note,)
    assert fleet.results["changes"].as_json()["notes"] == [note]
    assert fleet.results["same"].notes == ()


def test_settings_for_another_base_are_refused(fleet: Fleet) -> None:
    """The reason says what would fix it: which card, or which version."""
    result = fleet.results["oldbase"]
    assert result.outcome is Outcome.REFUSED
    assert "its base has format 0, these settings need format 1" in result.reason
    assert re.search("`provision card [^ ]+/oldbase.yml` makes now", result.reason)
    assert f"push with version {__version__}" in result.reason


@pytest.mark.parametrize("name", AILING)
def test_a_boat_that_is_not_well_is_refused(fleet: Fleet, name: str) -> None:
    result, boat = fleet.results[name], fleet.boats[name]
    assert (result.outcome, result.step) == (Outcome.REFUSED, "preflight")
    assert result.reason == AILING[name][1]
    assert kept(boat) == fleet.before[name]


def test_settings_for_another_board_are_refused(fleet: Fleet) -> None:
    result = fleet.results["newboard"]
    assert result.outcome is Outcome.REFUSED
    assert result.reason == "its board is x86-64, the profile's is bcm2711-rpi-4-b"


def test_settings_in_another_format_are_refused(fleet: Fleet) -> None:
    result = fleet.results["oldformat"]
    assert result.outcome is Outcome.REFUSED
    assert "its base reads settings of format 0, these are in format 1" in result.reason
    assert re.search("`provision card [^ ]+/oldformat.yml` makes now", result.reason)


def test_a_boat_that_is_off(fleet: Fleet) -> None:
    assert fleet.results["away"].outcome is Outcome.UNREACHABLE


@pytest.mark.parametrize("name", ["impostor", "stranger"])
def test_another_machine_is_refused(fleet: Fleet, name: str) -> None:
    """A machine with another host key, or a key of another kind, is refused."""
    result = fleet.results[name]
    assert result.outcome is Outcome.REFUSED
    assert f"another machine answers at {fleet.boats[name].endpoint}" in result.reason
    assert f"its host key is not {name}'s" in result.reason


def test_no_secret_is_told(fleet: Fleet) -> None:
    told = json.dumps([fleet.events, [result.as_json() for result in fleet.results.values()]])
    page = write_html(push_page([*fleet.results.values()], PushOptions(), {}), 0.0, 1.0).decode()
    for shown in (told, page):
        assert CANARY not in shown
        assert "PRIVATE KEY" not in shown


def test_nothing_is_written_down_elsewhere(fleet: Fleet, notebook: Path) -> None:
    """The user's settings of Ansible do not reach a push."""
    assert [file.name for file in notebook.iterdir()] == ["ansible.cfg"]


def test_no_secret_is_in_the_list_of_processes(fleet: Fleet) -> None:
    seen = b"\n".join(fleet.listed)
    assert b"-oHostKeyAlias=changes" in seen  # it was looked at in time
    secrets = [
        CANARY,
        "PRIVATE KEY",
        derive_psk(CANARY, "changes one"),
        derive_psk(CANARY, "changes two"),
    ]
    assert [secret for secret in secrets if secret.encode() in seen] == []
