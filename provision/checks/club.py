# SPDX-License-Identifier: GPL-3.0-or-later
"""What the boats of one club must not, or had better not, have in common."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations, product

from provision.checks.finding import Finding
from provision.errors import Place, UserError
from provision.profile.load import Boat
from provision.profile.secrets import file_of


def clashes(boats: Sequence[Boat], neighbours: Sequence[Boat] = ()) -> list[UserError]:
    """An error for each pair of boats with one name or one address.

    Pairs of two neighbours are somebody else's business.
    """
    errors = []
    for one, two in [*combinations(boats, 2), *product(neighbours, boats)]:
        if one.name == two.name:
            errors.append(
                UserError(
                    f"two boats are called {two.name}",
                    place=two.place("boat"),
                    hint=_other(one.place("boat")),
                )
            )
        address = two.profile.network.address.ip
        if one.profile.network.address.ip == address:
            errors.append(
                UserError(
                    f"{one.name} and {two.name} have one address, {address}",
                    place=two.place("network.address"),
                    hint=_other(one.place("network.address")),
                )
            )
    return errors


def check(boat: Boat, others: Sequence[Boat]) -> Iterator[Finding]:
    """What a tablet, or whoever is connected to both, cannot tell `boat` from `others` by."""
    own, kept = boat.profile.network, _secrets(boat)
    for other in others:
        if kept and kept == _secrets(other):
            yield Finding(
                "error",
                f"same-secrets.{other.name}",
                f"{boat.name} has the secrets of {other.name}, so that one may pass for the other",
                Place(file_of(boat.file)),
                f"provision keys {boat.name} --rotate host_key --rotate pass_phrase",
            )
        network = other.profile.network
        if network.access_point.ssid == own.access_point.ssid:
            yield Finding(
                "warning",
                f"same-ssid.{other.name}",
                f"{boat.name} has the SSID of {other.name}: a tablet joins whichever is nearer",
                boat.place("network.access_point.ssid"),
                _other(other.place("network.access_point.ssid")),
            )
        if network.address.network.overlaps(own.address.network):
            yield Finding(
                "warning",
                f"same-network.{other.name}",
                f"the network {own.address.network} of {boat.name} overlaps with "
                f"{network.address.network} of {other.name}",
                boat.place("network.address"),
                f"give each boat a network of its own; {_other(other.place('network.address'))}",
            )


def _secrets(boat: Boat) -> bytes:
    """The boat's secrets as they lie there: never the same for two, each having its own salt."""
    try:
        return file_of(boat.file).read_bytes()
    except OSError:
        return b""


def _other(place: Place) -> str:
    return f"the other stands in {place.file}:{place.line}"
