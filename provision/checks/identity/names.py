# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that the names aboard are distinct."""

from __future__ import annotations

import re
from collections.abc import Iterator

from provision.checks.finding import Finding
from provision.profile.load import Boat

#: Names that every resolver takes for the machine itself.
RESERVED_NAMES = ("localhost", "local")

#: In the position of a name, dnsmasq reads these as a lease time, or as an order to give no lease
#: (dhcp-host in dnsmasq(8)).
_LEASE = re.compile("[0-9]+[smhdw]?|infinite|ignore")


def check(boat: Boat) -> Iterator[Finding]:
    """Find names with another meaning, and a file that is not called as its boat."""
    if boat.name.isdigit() or boat.name in RESERVED_NAMES:
        why = "looks like an address" if boat.name.isdigit() else "means the machine itself"
        yield Finding(
            "error",
            "boat-name",
            f"the host name {boat.name} {why}",
            boat.location("boat"),
            "call the boat, and its file, something else",
        )
    if boat.file.stem != boat.name:
        yield Finding(
            "error",
            "file-name",
            f"the file of the boat {boat.name} is called {boat.file.name}",
            boat.location("boat"),
            f"call the file {boat.name}.yml, or the boat {boat.file.stem}",
        )
    for tablet in boat.profile.network.tablets:
        if tablet == boat.name:
            why = "has the boat's own name"
        elif tablet in RESERVED_NAMES:
            why = "has a name that means the machine itself"
        elif _LEASE.fullmatch(tablet):
            why = "has a name that dnsmasq takes for something else"
        else:
            continue
        yield Finding(
            "error",
            f"tablet-name.{tablet}",
            f"the tablet {tablet} {why}",
            boat.location(f"network.tablets.{tablet}"),
            "call the tablet something else",
        )
