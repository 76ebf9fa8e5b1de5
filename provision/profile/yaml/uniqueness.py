# SPDX-License-Identifier: GPL-3.0-or-later
"""Find what two links, inputs or tablets cannot share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from provision.errors import Location, UserError
from provision.profile.listening import listening_ports
from provision.profile.schema.boat import Profile
from provision.profile.schema.links import AdapterConfig


def find_duplicates(profile: Profile, location: Callable[[str], Location]) -> list[UserError]:
    """Return an error for each pair of links, inputs or tablets that share a device.

    `location` tells where a key of the profile stands.
    """
    return [*_adapters(profile, location), *_taken_twice(profile, location)]


def _taken_twice(profile: Profile, location: Callable[[str], Location]) -> Iterator[UserError]:
    holders: dict[str, str] = {}
    for what, key in _taken(profile):
        first = holders.setdefault(what, key)
        if first != key:
            where = location(first)
            yield UserError(
                f"{what} is taken by {first} already",
                location=location(key),
                hint=f"that stands in {where.file}:{where.line}; give each its own",
            )


def _taken(profile: Profile) -> Iterator[tuple[str, str]]:
    """Yield each exclusive value with the key that has it."""
    for name, tablet in profile.network.tablets.items():
        yield f"the hardware address {tablet.mac}", f"network.tablets.{name}.mac"
    for name, link in profile.can_links.items():
        yield f"the interface {link.can}", f"links.{name}.can"
    for name, source in profile.inputs.items():
        if source.tcp:
            yield f"the server {source.tcp}", f"inputs.{name}.tcp"
    for port in listening_ports(profile):
        yield f"{port.protocol.upper()} port {port.port}", port.key


def _adapters(profile: Profile, location: Callable[[str], Location]) -> Iterator[UserError]:
    """Yield an error for each link whose adapter an earlier link has or hides."""
    seen = _Seen()
    for second, link in profile.serial_links.items():
        first, reason = seen.clash(link.adapter)
        seen.add(second, link.adapter)
        if reason:
            where = location(f"links.{first}.adapter")
            yield UserError(
                f"the links {first} and {second} are on one adapter: {reason}",
                location=location(f"links.{second}.adapter"),
                hint=f"{first} stands in {where.file}:{where.line}; for a chip with several "
                "ports give each link its interface",
            )


@dataclass(frozen=True)
class _Seen:
    """Collect the adapters of the links so far, by what a later one can share with them."""

    sockets: dict[tuple[str, int | None], tuple[str, AdapterConfig]] = field(default_factory=dict)
    """The first link of a chip and interface. With None, the first link of the whole chip."""
    chips: dict[str, tuple[str, AdapterConfig]] = field(default_factory=dict)
    """The first link of a chip, with any interface."""
    hubs: dict[str, tuple[str, str]] = field(default_factory=dict)
    """The first link behind a port where a hub has to be, and its own port."""

    def add(self, name: str, adapter: AdapterConfig) -> None:
        """Add the adapter of the link `name`."""
        chip = adapter.chip_id
        self.sockets.setdefault((chip, adapter.interface), (name, adapter))
        self.chips.setdefault(chip, (name, adapter))
        for hub in _above(adapter.port or ""):
            self.hubs.setdefault(hub, (name, adapter.port or ""))

    def clash(self, adapter: AdapterConfig) -> tuple[str, str]:
        """Return the first link that an adapter clashes with, and why. Both are "" for none."""
        chip, interface = adapter.chip_id, adapter.interface
        same = (
            self.chips.get(chip)
            if interface is None
            else self.sockets.get((chip, interface)) or self.sockets.get((chip, None))
        )
        if same:
            first, other = same
            return first, (
                str(other) if other == adapter else f"{other} is also matched by {adapter}"
            )
        if port := adapter.port:
            if port in self.hubs:
                first, inner = self.hubs[port]
                return first, f"a hub is in port {port} if port {inner} exists"
            for hub in _above(port):
                if found := self.chips.get(f"port {hub}"):
                    return found[0], f"a hub is in port {hub} if port {port} exists"
        return "", ""


def _above(port: str) -> Iterator[str]:
    """Yield the ports that have to be hubs for `port` to exist, the nearest first."""
    while "." in port:
        port = port.rpartition(".")[0]
        yield port
