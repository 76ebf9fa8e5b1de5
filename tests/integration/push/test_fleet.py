# SPDX-License-Identifier: GPL-3.0-or-later
"""Roll-outs over boats on loopback: real Ansible, real SSH, the real program aboard.

Each boat is a folder behind an sshd of its own; only its units are not real, and the suite is
one that passes unless the boat's name is `badproof`.
"""

from __future__ import annotations

import dataclasses
import json
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import groupby

import pytest

from provision.profile.secrets.keygen import generate_private_key, remember_host_key
from provision.profile.secrets.store import host_public_key
from provision.push.ansible.playbook import Event
from provision.push.dry_run import secret_values
from provision.push.options import PushOptions
from provision.push.push import push
from provision.push.records.known_boats import recall
from provision.push.result import Outcome
from provision.push.rollout import Rollout, roll_out
from provision.push.status import fleet_status
from provision.report.contents.push import push_page
from provision.report.html import write_html
from provision.verify import runner
from tests.support.push.loopback import CANARY, RigBoat

PROVER = """
import json, sys
print(json.dumps({"summary": "devices: the gnss is not there"}))
sys.exit("badproof" in sys.argv[1])
"""

HOSTAPD = "etc/hostapd/boat.conf"

Make = Callable[..., RigBoat]


@pytest.fixture(autouse=True)
def prover(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(runner, "command", lambda job: [sys.executable, "-c", PROVER, str(job)])


def changed(rig: Make, name: str, **how: bool) -> RigBoat:
    """Return a boat whose profile has changed since it was switched on."""
    boat = rig(name, **how)
    boat.change(f"{name} two", "network", "access_point", "ssid")
    return boat


def options(*boats: RigBoat, **more: object) -> PushOptions:
    at = {boat.file.stem: boat.endpoint for boat in boats}
    return dataclasses.replace(PushOptions(at=at, timer=60), **more)  # type: ignore[arg-type]


def kept(boat: RigBoat) -> str:
    """Return the digest of the settings that the boat keeps."""
    return (boat.root / "data/settings/kept").read_text().split()[0]


def test_a_new_host_key_comes_with_a_push(rig: Make) -> None:
    """The old key and the new one are accepted while it goes on, and the new one alone after."""
    boat = rig("rotates")
    old = boat.secrets
    new = {
        "host_key": generate_private_key(),
        "former_host_keys": remember_host_key(old),
        "pass_phrase": f"{CANARY}!",
    }
    boat.secrets = old.model_copy(update=new)
    (result,) = push([boat.open_boat], options(boat))
    assert result.outcome is Outcome.KEPT, result
    assert {f"/{HOSTAPD}", "/etc/ssh/ssh_host_ed25519_key"} <= {*result.changed}
    memory = recall(boat.file)
    assert memory is not None
    assert memory.host_key == host_public_key(boat.secrets)
    (status,) = fleet_status([boat.open_boat], options(boat).at)
    assert status.up_to_date, status


def test_a_dry_run_shows_every_change_and_no_secret(rig: Make) -> None:
    boat = changed(rig, "dry")
    before = (boat.root / HOSTAPD).read_bytes()
    (result,) = push([boat.open_boat], options(boat, dry_run=True))
    assert result.outcome is Outcome.WOULD_CHANGE, result
    assert f"--- aboard/{HOSTAPD}\n+++ new/{HOSTAPD}\n" in result.diff
    assert "+wpa_psk=<secret " in result.diff
    assert CANARY not in json.dumps(result.as_json())
    page = write_html(push_page([result], options(boat, dry_run=True), {}), 0.0, 1.0).decode()
    assert "wpa_psk=&lt;secret " in page
    assert [secret for secret in secret_values(boat.open_boat) if secret in page] == []
    assert (boat.root / HOSTAPD).read_bytes() == before


def test_what_was_changed_by_hand_is_replaced_only_when_that_is_asked_for(rig: Make) -> None:
    boat = changed(rig, "drifts")
    by_hand = boat.root / "etc/hostname"
    by_hand.write_text("by hand\n")
    (refused,) = push([boat.open_boat], options(boat))
    assert (refused.outcome, by_hand.read_text()) == (Outcome.REFUSED, "by hand\n"), refused
    assert "changed by hand aboard: /etc/hostname" in refused.reason
    (done,) = push([boat.open_boat], options(boat, overwrite_drift=True))
    assert (done.outcome, by_hand.read_text()) == (Outcome.KEPT, "drifts\n"), done
    assert done.changed == (f"/{HOSTAPD}", "/etc/hostname")


def test_two_operators_at_once(rig: Make) -> None:
    """Each is told the truth, and the boat has what one of them was told it has."""
    boat, open_boats = rig("wanted"), []
    for word in ("two", "three"):
        boat.change(f"wanted {word}", "network", "access_point", "ssid")
        open_boats.append(boat.open_boat)
    with ThreadPoolExecutor() as pool:
        ended = list(pool.map(lambda open_boat: push([open_boat], options(boat))[0], open_boats))
    new = [result.sha256 for result in ended if result.outcome is Outcome.KEPT]
    assert new, ended
    for result in ended:
        if result.outcome is not Outcome.KEPT:
            assert result.outcome is Outcome.REFUSED, result
            assert "on trial" in result.reason or "at work" in result.reason, result
    assert kept(boat) in new
    assert not (boat.root / "run/boat/trial.json").exists()


def test_settings_for_the_next_start(rig: Make) -> None:
    """Staged settings lie on the card. Nothing changes now, and drift aboard does not matter."""
    boat = changed(rig, "staged")
    (boat.root / "etc/motd").write_text("by hand\n")
    before = (boat.root / HOSTAPD).read_bytes()
    (result,) = push([boat.open_boat], options(boat, stage=True))
    assert result.outcome is Outcome.STAGED, result
    assert result.succeeded
    assert (boat.root / HOSTAPD).read_bytes() == before
    (status,) = fleet_status([boat.open_boat], options(boat).at)
    assert status.staged is not None
    assert status.staged["digest"] == result.sha256


@pytest.mark.parametrize(
    ("name", "outcome"), [("moved-away", Outcome.KEPT), ("moved-badproof", Outcome.ROLLED_BACK)]
)
def test_staged_settings_are_proven_and_kept_at_the_other_place(
    rig: Make, name: str, outcome: Outcome
) -> None:
    """A push of the same settings keeps them while the trial from the start is on."""
    boat = changed(rig, name)
    before = kept(boat)
    (staged,) = push([boat.open_boat], options(boat, stage=True))
    assert staged.outcome is Outcome.STAGED, staged
    boat.aboard("begin")
    (status,) = fleet_status([boat.open_boat], options(boat).at)
    assert (status.due, (status.trial or {})["digest"]) == (True, staged.sha256)
    (result,) = push([boat.open_boat], options(boat))
    assert result.outcome is outcome, result
    assert kept(boat) == (staged.sha256 if outcome is Outcome.KEPT else before)
    assert not (boat.root / "run/boat/trial.json").exists()
    (status,) = fleet_status([boat.open_boat], options(boat).at)
    assert status.up_to_date is (outcome is Outcome.KEPT), status


def test_no_more_boats_at_once_than_were_asked_for(rig: Make) -> None:
    boats = [rig(name) for name in ("one", "after", "another")]
    events: list[Event] = []
    ended = push([boat.open_boat for boat in boats], options(*boats, at_once=1), events.append)
    assert [result.outcome for result in ended] == [Outcome.UNCHANGED] * 3
    told = [event["boat"] for event in events if "boat" in event]
    assert [name for name, _ in groupby(told)] == ["one", "after", "another"]


def test_a_roll_out_ends_after_failures_and_begins_with_no_other(rig: Make) -> None:
    boats = [changed(rig, name) for name in ("badproof", "second", "third")]
    before = {boat.file: (boat.root / HOSTAPD).read_bytes() for boat in boats}
    chosen = options(*boats, at_once=1, stop_after=1)
    ended = roll_out([boat.open_boat for boat in boats], chosen, Rollout())
    assert [result.outcome for result in ended] == [Outcome.ROLLED_BACK, Outcome.HELD, Outcome.HELD]
    assert {boat.file: (boat.root / HOSTAPD).read_bytes() for boat in boats} == before


def test_another_machine_in_a_boats_place_counts_as_a_failure(rig: Make) -> None:
    boats = [rig("impostor", host_key=generate_private_key()), changed(rig, "behind")]
    chosen = options(*boats, at_once=1, stop_after=1)
    ended = roll_out([boat.open_boat for boat in boats], chosen, Rollout())
    assert [result.outcome for result in ended] == [Outcome.REFUSED, Outcome.HELD]


def test_no_other_follows_a_first_that_has_its_settings_and_cannot_be_proven(rig: Make) -> None:
    boats = [rig("badproof-first"), changed(rig, "follows")]
    ended = roll_out([boat.open_boat for boat in boats], options(*boats), Rollout("badproof-first"))
    assert [result.outcome for result in ended] == [Outcome.FAILED, Outcome.HELD]
    assert ended[0].reason == "devices: the gnss is not there"


def test_a_boat_that_is_switched_on_in_time(rig: Make) -> None:
    boat = changed(rig, "late", up=False)
    running = []

    def switch_on() -> None:
        time.sleep(12)
        running.append(boat.listen())

    thread = threading.Thread(target=switch_on)
    thread.start()
    try:
        (result,) = roll_out([boat.open_boat], options(boat), Rollout(first="late", wait=120))
        assert result.outcome is Outcome.KEPT, result
    finally:
        thread.join()
        for process in running:
            process.terminate()
            process.wait()
