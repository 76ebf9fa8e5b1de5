# SPDX-License-Identifier: GPL-3.0-or-later
"""Boats of one club: what they must not, or should not, have in common."""

from __future__ import annotations

from pathlib import Path

from provision import checks
from tests.unit.checks.tern import boat, found


def test_two_boats_with_one_address_or_name(tmp_path: Path) -> None:
    """Findings like all others: they hide none of these."""
    (tmp_path / "far").mkdir()
    one = boat(tmp_path)
    two = boat(tmp_path, ("tern\n", "petrel\n"), ("Tern", "Petrel"), name="petrel")
    three = boat(tmp_path / "far", ("9.1/24", "8.1/24"), ("Tern", "Third"), ("l: 6", "l: 15"))
    told = checks.check([one, two, three])
    assert [(str(one.location), one.level, one.message) for one in told] == [
        (
            f"{tmp_path}/petrel.yml:4:12: network.address",
            "error",
            "tern and petrel have one address, 10.47.9.1",
        ),
        (
            f"{tmp_path}/far/tern.yml:5:53: network.access_point.channel",
            "error",
            "there is no 20 MHz channel 15",
        ),
        (f"{tmp_path}/far/tern.yml:1:7: boat", "error", "two boats are called tern"),
    ]
    assert all(f"{tmp_path}/tern.yml:" in one.hint for one in (told[0], told[2]))


def test_a_forgotten_copy_stops_no_boat_and_hides_nothing(tmp_path: Path) -> None:
    tern = boat(tmp_path, ("channel: 6", "channel: 15"))
    copy = boat(tmp_path, name="tern copy")
    told = checks.check([tern], [copy])
    assert [(one.level, one.check) for one in told] == [
        ("error", "wifi-channel"),
        ("warning", "same-name.tern copy.yml"),
    ]
    assert str(tmp_path / "tern copy.yml") in told[1].message
    assert told[1].hint
    accepted = ("access:", 'accepted: {"same-name.tern copy.yml": for next year}\naccess:')
    assert checks.check([boat(tmp_path, accepted)], [copy]) == []


def test_a_boat_named_twice_is_one_boat(tmp_path: Path) -> None:
    assert found(boat(tmp_path), boat(tmp_path)) == []


def test_one_ssid_or_one_network_on_two_boats(tmp_path: Path) -> None:
    one = boat(tmp_path)
    two = boat(tmp_path, ("tern\n", "petrel\n"), ("9.1/24", "9.2/25"), name="petrel")
    assert found(one, two) == [("warning", "same-ssid.tern"), ("warning", "same-network.tern")]


def test_the_secrets_of_another_boat(tmp_path: Path) -> None:
    one = boat(tmp_path)
    two = boat(tmp_path, ("tern\n", "petrel\n"), ("9.1/", "8.1/"), ("Tern", "P"), name="petrel")
    for name, content in (("tern", "$ANSIBLE_VAULT;1.1"), ("petrel", "$ANSIBLE_VAULT;1.1")):
        (tmp_path / f"{name}.secrets.yml").write_text(content)
    (finding,) = checks.check([one, two])
    assert (finding.level, finding.check) == ("error", "same-secrets.tern")
    assert finding.location.file == tmp_path / "petrel.secrets.yml"
    # As it stands, from any folder.
    assert finding.hint.startswith(f"provision keys {tmp_path}/petrel.yml --rotate")
    (tmp_path / "petrel.secrets.yml").write_text("another salt")
    assert checks.check([one, two]) == []
