# SPDX-License-Identifier: GPL-3.0-or-later
"""Boats report their status, what a push would change, and what this laptop remembers."""

from __future__ import annotations

import dataclasses
import io
import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from provision import __version__
from provision.card.base.age import format_day
from provision.profile.secrets.keygen import generate_private_key, remember_host_key
from provision.profile.secrets.store import derive_psk, host_public_key
from provision.push.console import fleet_table
from provision.push.deployment import Deployment
from provision.push.dry_run import secret_values
from provision.push.plan import prepare
from provision.push.query.diff import fetch, unpack, write_diff
from provision.push.query.poll import StatusQuery
from provision.push.records.answers import remember_answer
from provision.push.records.known_boats import recall
from provision.push.status import BoatStatus, find_health_issues, fleet_status
from provision.push.workspace import workspace
from provision.ssh.endpoint import Endpoint
from tests.support.push.loopback import CANARY, RigBoat

HOSTAPD = "/etc/hostapd/boat.conf"

NOW, DAY = time.time(), 86400


@pytest.fixture(scope="module")
def boats(rig: Callable[..., RigBoat]) -> dict[str, RigBoat]:
    boats = {name: rig(name) for name in ("well", "differs")}
    boats["away"] = rig("away", up=False)
    boats["oldformat"] = rig("oldformat")
    manifest = boats["oldformat"].root / "etc/boat/manifest.json"
    manifest.write_text(json.dumps(json.loads(manifest.read_text()) | {"format": 0}))
    boats["impostor"] = rig("impostor", host_key=generate_private_key())
    silent = {"present": True, "sentences": 900, "last_heard": 7200.0, "load": 0.0}
    boats["differs"].feed(ais=silent, gnss=silent | {"last_heard": 0.3})
    (boats["oldformat"].folder / "feed.json").write_text("the feed is not there")
    boats["differs"].change("another", "network", "access_point", "ssid")
    (boats["differs"].root / "etc/hostname").write_text("by hand\n")
    return boats


@pytest.fixture(scope="module")
def at(boats: dict[str, RigBoat]) -> dict[str, Endpoint]:
    return {name: boat.endpoint for name, boat in boats.items()}


@pytest.fixture(scope="module")
def found(boats: dict[str, RigBoat], at: dict[str, Endpoint]) -> dict[str, BoatStatus]:
    asked = fleet_status([boat.open_boat for boat in boats.values()], at)
    return {status.boat: status for status in asked}


def test_a_boat_names_the_version_that_made_its_settings(found: dict[str, BoatStatus]) -> None:
    assert found["well"].as_json()["version"] == __version__
    assert found["away"].version == ""


@pytest.fixture
def changed(boats: dict[str, RigBoat], at: dict[str, Endpoint]) -> Iterator[Deployment]:
    with workspace() as folder:
        yield prepare([boats["differs"].open_boat], folder, at)[0]


def test_a_boat_that_is_as_its_profile_says(found: dict[str, BoatStatus]) -> None:
    one = found["well"]
    assert one.up_to_date, one
    assert (one.kept, one.due, one.differs, one.drift) == (one.wanted, False, (), ())


def test_a_fleet_tells_which_links_are_silent(found: dict[str, BoatStatus]) -> None:
    one = found["differs"]
    assert one.health_issues == ()
    assert one.as_json()["links"] == {
        "ais": {"state": "silent", "silent_for": 7200.0},
        "gnss": {"state": "heard", "silent_for": 0.3},
    }
    shown = io.StringIO()
    Console(file=shown, width=80).print(fleet_table([one], 0.0))
    assert "ais: silent for 2 h" in shown.getvalue()
    assert "gnss:" not in shown.getvalue()


def test_no_boat_is_healthy_whose_feed_does_not_say(found: dict[str, BoatStatus]) -> None:
    one = found["oldformat"]
    assert one.links is None
    assert "its feed does not say how its links are" in one.health_issues


def test_what_a_push_would_change(found: dict[str, BoatStatus]) -> None:
    one = found["differs"]
    assert one.due
    assert not one.up_to_date
    assert one.differs == ("/etc/hostapd/boat.conf", "/etc/hostname")
    assert one.drift == (("/etc/hostname", "content"),)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({}, None),
        ({"boat": "dunlin"}, "the boat there is dunlin, not differs"),
        ({"boat": None}, "the boat there is unknown, not differs"),
        ({"board": "bcm2837-rpi-3-b"}, "its board is bcm2837-rpi-3-b, not x86-64"),
        ({"base": None}, "its base has format None, its profile's settings need 1"),
        ({"degraded": True, "boot": {"reason": "as built"}}, "degraded: as built"),
        ({"degraded": True, "boot": None}, "degraded: the boot gave no reason"),
        ({"kept_whole": False}, "the settings that it keeps are damaged"),
        ({"health": {"data": {"writable": False}}}, "its data partition cannot be written"),
        ({"health": {"ext4_errors": 3}}, "its card has 3 file system errors"),
        ({"health": {"undervoltage": True}}, "its supply voltage is or was too low"),
        ({"base": {"format": 1, "built": NOW - 180.5 * DAY}}, None),
        (
            {"base": {"format": 1, "built": NOW - 181.5 * DAY}},
            f"its base is old: packages of {format_day(NOW - 181.5 * DAY)}, 181 days old",
        ),
        ({"base": {"format": 1, "built": "old"}}, None),
    ],
)
def test_what_is_wrong_with_a_boat(
    changed: Deployment, said: dict[str, Any], words: str | None
) -> None:
    status: dict[str, Any] = {"boat": "differs", "board": "x86-64", "base": {"format": 1}}
    health = {"data": {"writable": True}, "ext4_errors": None, "undervoltage": None}
    status |= {"boot": None, "degraded": False, "kept_whole": True, **said}
    status["health"] = health | said.get("health", {})
    assert find_health_issues(changed, status, (1, 1)) == ([words] if words else [])


def test_settings_in_a_format_that_the_base_does_not_read(found: dict[str, BoatStatus]) -> None:
    words = "its base reads settings of format 0, its profile's are in format 1"
    assert found["oldformat"].health_issues[0] == words


def test_who_does_not_answer(found: dict[str, BoatStatus]) -> None:
    assert (found["away"].endpoint, found["away"].seen) == (None, None)
    assert "Is it switched on" in found["away"].hint and "--at" not in found["away"].hint
    assert not found["away"].refused
    assert "another machine" in found["impostor"].reason
    assert found["impostor"].endpoint is None
    assert found["impostor"].refused


def test_when_a_boat_was_seen_is_remembered(
    boats: dict[str, RigBoat], found: dict[str, BoatStatus]
) -> None:
    """The record names the settings, too. The boat may be switched off then."""
    (away,) = fleet_status([boats["well"].open_boat], {"well": Endpoint("127.0.0.1", 1)})
    assert away.endpoint is None
    assert away.seen == pytest.approx(found["well"].seen, abs=10)
    assert away.kept == found["well"].kept
    assert recall(boats["impostor"].file) is None


def test_a_renamed_boat_is_told_and_not_remembered(
    boats: dict[str, RigBoat], at: dict[str, Endpoint], tmp_path: Path
) -> None:
    file = boats["well"].file.with_name("other.yml")
    file.write_text(boats["well"].file.read_text().replace("boat: well", "boat: other"))
    open_boat = dataclasses.replace(boats["well"], file=file).open_boat
    (one,) = fleet_status([open_boat], {"other": at["well"]})
    assert "the boat there is well, not other" in one.health_issues
    assert recall(file) is None


def test_the_diff_of_every_file(changed: Deployment, boats: dict[str, RigBoat]) -> None:
    """Against what is aboard now, changes by hand included; without a secret."""
    paths = (HOSTAPD, "/etc/hostname", "/etc/ssh/ssh_host_ed25519_key", "/not/there")
    query = StatusQuery.read(changed.folder / "status_query.json")
    live = fetch(query, boats["differs"].endpoint, paths)
    assert live is not None
    assert sorted(live) == sorted(paths[:3])
    new = unpack((changed.folder / "settings.tar").read_bytes())
    open_boat = boats["differs"].open_boat
    shown = write_diff(paths, live, new, secret_values(open_boat))
    assert "-by hand\n+differs\n" in shown
    assert "\n-ssid2=" in shown
    assert "\n-wpa_psk=<secret 1>\n+wpa_psk=<secret 2>\n" in shown
    assert "ssh_host" not in shown
    for secret in (CANARY, derive_psk(CANARY, "differs one"), derive_psk(CANARY, "another")):
        assert secret not in shown


def test_a_former_host_key_is_accepted_until_the_new_one_was_seen(
    boats: dict[str, RigBoat], at: dict[str, Endpoint]
) -> None:
    """A machine that shows the former key after that is refused, with the reason."""
    boat, old = boats["well"], boats["well"].secrets
    fleet_status([boat.open_boat], at)  # known by its old key, whatever other tests ran before
    new = dataclasses.replace(
        boat,
        secrets=old.model_copy(
            update={"host_key": generate_private_key(), "former_host_keys": remember_host_key(old)}
        ),
    )
    (one,) = fleet_status([new.open_boat], at)
    assert one.endpoint == at["well"]
    assert "/etc/ssh/ssh_host_ed25519_key" in one.differs
    with workspace() as folder:
        (deployment,) = prepare([new.open_boat], folder, at)
        assert deployment.ssh_target.former_keys == (host_public_key(old),)
        remember_answer(new.open_boat, deployment, at["well"], deployment.sha256)
        still = recall(boat.file)
        assert still is not None
        assert still.host_key == host_public_key(old), "it does not show the new key yet"
        # As after a push that was proven.
        deployment = dataclasses.replace(
            deployment, ssh_target=dataclasses.replace(deployment.ssh_target, former_keys=())
        )
        remember_answer(new.open_boat, deployment, at["well"], deployment.sha256)
    (one,) = fleet_status([new.open_boat], at)
    assert one.endpoint is None
    assert "from before it was rotated" in one.reason
    assert "--former-key" in one.hint
    (one,) = fleet_status([new.open_boat], at, former=True)
    assert one.endpoint == at["well"]


def test_what_is_told_can_be_written_down(found: dict[str, BoatStatus]) -> None:
    told = json.dumps([one.as_json() for one in found.values()])
    assert CANARY not in told
    assert "PRIVATE KEY" not in told
