# SPDX-License-Identifier: GPL-3.0-or-later
"""Each tablet gets its own address."""

from __future__ import annotations

from ipaddress import IPv4Interface

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.profile.leases import divide_network


@st.composite
def interfaces(draw: st.DrawFn) -> IPv4Interface:
    """Any address that a profile may give a boat in 10/8."""
    prefix = draw(st.integers(16, 28))
    host = draw(st.integers(1, 2 ** (32 - prefix) - 2))
    network = draw(st.integers(0, 2 ** (prefix - 8) - 1))
    return IPv4Interface((10 * 2**24 + network * 2 ** (32 - prefix) + host, prefix))


@given(interfaces(), st.integers(0, 2))
def test_no_address_is_assigned_twice_nor_is_the_boats_own(own: IPv4Interface, count: int) -> None:
    shared = divide_network(own, [f"tablet-{n}" for n in range(count)])
    hosts = range(int(own.network.network_address) + 1, int(own.network.broadcast_address))
    handed_out = range(int(shared.first), int(shared.last) + 1)
    fixed = [int(address) for address in shared.fixed.values()]
    assert len(fixed) == len(set(fixed)) == count
    assert len(handed_out) >= 2
    assert handed_out[0] in hosts and handed_out[-1] in hosts
    assert int(own.ip) not in handed_out
    for address in fixed:
        assert address in hosts and address not in handed_out and address != int(own.ip)


def test_the_shares_of_an_ordinary_network() -> None:
    shared = divide_network(IPv4Interface("10.47.1.1/24"), ["chart-table", "mast"])
    assert (str(shared.first), str(shared.last)) == ("10.47.1.102", "10.47.1.203")
    assert {name: str(a) for name, a in shared.fixed.items()} == {
        "chart-table": "10.47.1.204",
        "mast": "10.47.1.205",
    }


def test_a_tablet_added_at_the_end_changes_no_other_address() -> None:
    own = IPv4Interface("10.47.1.210/24")
    before = divide_network(own, ["mast", "chart-table"]).fixed
    assert divide_network(own, ["mast", "chart-table", "bunk"]).fixed.items() >= before.items()


def test_more_tablets_than_room_are_refused() -> None:
    with pytest.raises(ValueError, match="room for 3 tablets"):
        divide_network(IPv4Interface("10.47.1.1/28"), ["a", "b", "c", "d"])
