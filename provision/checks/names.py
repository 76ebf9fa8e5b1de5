# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether the names aboard can be told apart."""

from __future__ import annotations

from collections.abc import Iterator

from provision.checks.finding import Finding
from provision.profile.load import Boat

#: Names that mean a machine's own self to every resolver.
TAKEN = ("localhost", "local")


def check(boat: Boat) -> Iterator[Finding]:
    """Names that another meaning has taken, and a file that is not called as its boat."""
    if boat.name.isdigit() or boat.name in TAKEN:
        why = "looks like an address" if boat.name.isdigit() else "means the machine itself"
        yield Finding("error", "boat-name", f"the host name {boat.name} {why}", boat.place("boat"))
    if boat.file.stem != boat.name:
        yield Finding(
            "error",
            "file-name",
            f"the file of the boat {boat.name} is called {boat.file.name}",
            boat.place("boat"),
            f"call the file {boat.name}.yml, or the boat {boat.file.stem}",
        )
    if boat.name in boat.profile.network.tablets:
        yield Finding(
            "error",
            f"tablet-name.{boat.name}",
            f"the tablet {boat.name} has the boat's own name",
            boat.place(f"network.tablets.{boat.name}"),
            "call the tablet something else",
        )
