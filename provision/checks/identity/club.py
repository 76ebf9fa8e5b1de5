# SPDX-License-Identifier: GPL-3.0-or-later
"""Check what the boats of one club must not, or should not, have in common."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from provision.checks.finding import Finding
from provision.errors import Location
from provision.paths import argument
from provision.profile.load import Boat
from provision.profile.secrets.store import secrets_path


def check(boat: Boat, others: Sequence[Boat]) -> Iterator[Finding]:
    """Find by what a tablet or an operator would mistake `boat` for one of `others`."""
    for other in others:
        if other.name == boat.name:
            yield _same_name(boat, other)
            continue
        yield from _secrets(boat, other)
        yield from _network(boat, other)


def _same_name(boat: Boat, other: Boat) -> Finding:
    """Find a second file about a boat. Call it a copy if its own name is another."""
    if _is_copy(other) and not _is_copy(boat):
        return Finding(
            "warning",
            f"same-name.{other.file.name}",
            f"{other.file} is about a boat {boat.name}, too",
            boat.location("boat"),
            "take a copy out of the folder; what is to be a boat has a name, an address and a "
            "file of its own",
        )
    return Finding(
        "error",
        f"same-name.{other.file.name}",
        f"two boats are called {boat.name}",
        boat.location("boat"),
        _other(other.location("boat")),
    )


def _is_copy(boat: Boat) -> bool:
    return boat.file.stem != boat.name


def _secrets(boat: Boat, other: Boat) -> Iterator[Finding]:
    kept = _vault(boat)
    if kept and kept == _vault(other):
        yield Finding(
            "error",
            f"same-secrets.{other.name}",
            f"{boat.name} has the secrets of {other.name}, so that one may pass for the other",
            Location(secrets_path(boat.file)),
            f"provision keys {argument(boat.file)} --rotate host_key --rotate pass_phrase",
        )


def _network(boat: Boat, other: Boat) -> Iterator[Finding]:
    own, network = boat.profile.network, other.profile.network
    if network.access_point.ssid == own.access_point.ssid:
        yield Finding(
            "warning",
            f"same-ssid.{other.name}",
            f"{boat.name} has the SSID of {other.name}: a tablet joins whichever is nearer",
            boat.location("network.access_point.ssid"),
            _other(other.location("network.access_point.ssid")),
        )
    if network.address.ip == own.address.ip:
        yield Finding(
            "error",
            f"same-address.{other.name}",
            f"{other.name} and {boat.name} have one address, {own.address.ip}",
            boat.location("network.address"),
            _other(other.location("network.address")),
        )
    elif network.address.network.overlaps(own.address.network):
        yield Finding(
            "warning",
            f"same-network.{other.name}",
            f"the network {own.address.network} of {boat.name} overlaps with "
            f"{network.address.network} of {other.name}",
            boat.location("network.address"),
            f"give each boat a network of its own; {_other(other.location('network.address'))}",
        )


def _vault(boat: Boat) -> bytes:
    """Return the boat's encrypted secrets. Two boats' differ, as each vault has its own salt."""
    try:
        return secrets_path(boat.file).read_bytes()
    except OSError:
        return b""


def _other(location: Location) -> str:
    return f"the other stands in {location.file}:{location.line}"
