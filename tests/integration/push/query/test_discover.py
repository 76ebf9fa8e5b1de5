# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat is found at its last known address, and nobody else is taken for it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from provision.profile.secrets.keygen import generate_private_key
from provision.profile.secrets.store import host_public_key
from provision.push import plan
from provision.push.plan import resolve_targets, ssh_target_of
from provision.push.records.known_boats import KnownBoat, recall, record_path, remember
from provision.ssh import discover
from provision.ssh.discover import put_answering_first
from provision.ssh.endpoint import Endpoint, SshTarget
from tests.support.push.loopback import RigBoat, free_port


@pytest.fixture(scope="module")
def boat(rig: Callable[..., RigBoat]) -> RigBoat:
    return rig("found")


@pytest.fixture(scope="module")
def other(rig: Callable[..., RigBoat]) -> RigBoat:
    return rig("another")


def test_the_place_that_shows_the_boats_key_comes_first(boat: RigBoat, other: RigBoat) -> None:
    off = Endpoint("127.0.0.1", free_port())
    key = host_public_key(boat.secrets)
    ssh_target = SshTarget("found", (off, other.endpoint, boat.endpoint), key)
    assert put_answering_first(ssh_target).endpoints == (boat.endpoint, off, other.endpoint)


def test_a_former_key_is_the_boats_too(boat: RigBoat, other: RigBoat) -> None:
    new, old = (
        host_public_key(boat.secrets.model_copy(update={"host_key": key}))
        for key in (generate_private_key(), boat.secrets.host_key)
    )
    ssh_target = SshTarget("found", (other.endpoint, boat.endpoint), new, former_keys=(old,))
    assert put_answering_first(ssh_target).endpoints[0] == boat.endpoint


def test_nowhere(other: RigBoat) -> None:
    """Then the order stays, and whoever connects sees why."""
    key = host_public_key(other.secrets.model_copy(update={"host_key": generate_private_key()}))
    ssh_target = SshTarget("found", (Endpoint("127.0.0.1", free_port()), other.endpoint), key)
    assert put_answering_first(ssh_target) == ssh_target


def test_the_last_endpoint_is_remembered_and_tried(
    boat: RigBoat, here: pytest.MonkeyPatch, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A boat whose profile has a new address is still at the old one."""
    own = Endpoint(str(boat.open_boat.boat.profile.network.address.ip))
    assert ssh_target_of(boat.open_boat, {}).endpoints == (own,)
    known = KnownBoat(boat.endpoint, 1.5, "0" * 64, "ssh-ed25519 AAAA")
    remember(boat.file, known)
    assert recall(boat.file) == known
    assert ssh_target_of(boat.open_boat, {}).endpoints == (own, boat.endpoint)
    monkeypatch.setattr(discover, "KEY_SCAN_TIMEOUT_S", 1)
    here.setattr(plan, "ssh_target_of", ssh_target_of)
    (ssh_target,) = resolve_targets([boat.open_boat], {})
    assert ssh_target.endpoints == (boat.endpoint, own)


def test_where_a_boat_is_said_to_be_nobody_looks_elsewhere(boat: RigBoat) -> None:
    said = Endpoint("127.0.0.1", free_port())
    assert resolve_targets([boat.open_boat], {"found": said})[0].endpoints[0] == said


def test_what_is_remembered_is_private_and_of_one_club(boat: RigBoat) -> None:
    remember(boat.file, KnownBoat(boat.endpoint, 1.5))
    file = record_path(boat.file)
    assert file.stat().st_mode & 0o077 == 0
    assert record_path(boat.file.parent.parent / "elsewhere" / boat.file.name) != file


def test_a_damaged_record_is_ignored(boat: RigBoat) -> None:
    remember(boat.file, KnownBoat(boat.endpoint, 1.5))
    for text in ("", "[]", '{"place": 1}', '{"endpoint": 1}', "\0"):
        record_path(boat.file).write_text(text)
        assert recall(boat.file) is None


def test_a_record_of_version_0_1_is_read(boat: RigBoat) -> None:
    remember(boat.file, KnownBoat(boat.endpoint, 1.5))
    file = record_path(boat.file)
    file.write_text(file.read_text().replace('"endpoint"', '"place"'))
    assert recall(boat.file) == KnownBoat(boat.endpoint, 1.5)
