# SPDX-License-Identifier: GPL-3.0-or-later
"""A rebuilt card is the same boat; another boat is another."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from provision.render.identity import derive_mac_address, derive_machine_id
from tests.support.render_rig import Render, text

ONE = derive_machine_id("kittiwake", "ssh-ed25519 AAAA")


def test_machine_ids_differ_by_name_and_by_key_and_stay() -> None:
    assert derive_machine_id("kittiwake", "ssh-ed25519 AAAA") == ONE
    assert (
        len(
            {
                ONE,
                derive_machine_id("gannet", "ssh-ed25519 AAAA"),
                derive_machine_id("kittiwake", "B"),
            }
        )
        == 3
    )


def test_the_machine_id_file_is_what_systemd_reads(rendered: Render) -> None:
    assert re.fullmatch(r"[0-9a-f]{32}\n", text(rendered(), "/etc/machine-id"))


@given(st.uuids())
def test_mac_addresses_are_individual_and_local(machine: object) -> None:
    """The two low bits of the first octet: 0 for individual, 1 for local (IEEE Std 802)."""
    first = int(derive_mac_address(str(machine), "boat0")[:2], 16)
    assert first & 3 == 2
