# SPDX-License-Identifier: GPL-3.0-or-later
"""What two links, inputs or tablets cannot share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import combinations

from provision.errors import Place, UserError
from provision.onboard.feed.groups import GROUPS
from provision.profile.links import Adapter
from provision.profile.models import Profile


def all_of(profile: Profile, place: Callable[[str], Place]) -> list[UserError]:
    """An error for each pair of links, inputs or tablets that mean one thing or device.

    `place` tells where a key of the profile stands.
    """
    return [*_adapters(profile, place), *_taken_twice(profile, place)]


def _taken_twice(profile: Profile, place: Callable[[str], Place]) -> Iterator[UserError]:
    holders: dict[str, str] = {}
    for what, key in _taken(profile):
        first = holders.setdefault(what, key)
        if first != key:
            where = place(first)
            yield UserError(
                f"{what} is taken by {first} already",
                place=place(key),
                hint=f"that stands in {where.file}:{where.line}; give each its own",
            )


def _taken(profile: Profile) -> Iterator[tuple[str, str]]:
    """What only one can have, with the key that has it."""
    for name, tablet in profile.network.tablets.items():
        yield f"the hardware address {tablet.mac}", f"network.tablets.{name}.mac"
    for name, link in profile.can_links.items():
        yield f"the interface {link.can}", f"links.{name}.can"
    yield f"TCP port {profile.feed.tcp}", "feed.tcp"
    for name, source in profile.inputs.items():
        if source.tcp:
            yield f"the server {source.tcp}", f"inputs.{name}.tcp"
        if source.listen:
            yield f"TCP port {source.listen}", f"inputs.{name}.listen"
        if source.udp:
            yield f"UDP port {source.udp}", f"inputs.{name}.udp"
        for group in source.multicast or ():
            yield f"UDP port {GROUPS[group][1]}", f"inputs.{name}.multicast"


def _adapters(profile: Profile, place: Callable[[str], Place]) -> list[UserError]:
    errors = []
    for (first, one), (second, two) in combinations(profile.serial_links.items(), 2):
        reason = _shared(one.adapter, two.adapter)
        if reason:
            where = place(f"links.{first}.adapter")
            errors.append(
                UserError(
                    f"the links {first} and {second} are on one adapter: {reason}",
                    place=place(f"links.{second}.adapter"),
                    hint=f"{first} stands in {where.file}:{where.line}; for a chip with several "
                    "ports give each link its interface",
                )
            )
    return errors


def _shared(one: Adapter, two: Adapter) -> str:
    """Why both must be the same socket of the same chip; empty when they need not be."""
    same = (one.serial and one.serial == two.serial) or (one.port and one.port == two.port)
    if same and (one.interface is None or two.interface is None or one.interface == two.interface):
        return str(one) if one == two else f"{one} is also matched by {two}"
    for inner, outer in ((one, two), (two, one)):
        if inner.port and outer.port and inner.port.startswith(f"{outer.port}."):
            return f"a hub is in port {outer.port} if port {inner.port} exists"
    return ""
