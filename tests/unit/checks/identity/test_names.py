# SPDX-License-Identifier: GPL-3.0-or-later
"""Names of boats and tablets that mean something else, and tablets without room."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision import checks
from tests.unit.checks.tern import boat, found


def test_a_file_that_is_not_called_as_its_boat(tmp_path: Path) -> None:
    (finding,) = checks.check([boat(tmp_path, name="petrel")])
    assert (finding.level, finding.check) == ("error", "file-name")
    assert finding.hint == "call the file tern.yml, or the boat petrel"
    assert str(finding.location) == f"{tmp_path}/petrel.yml:1:7: boat"


@pytest.mark.parametrize("name", ["localhost", '"2026"'])
def test_host_names_with_another_meaning(tmp_path: Path, name: str) -> None:
    assert found(boat(tmp_path, ("boat: tern", f"boat: {name}"), name=name.strip('"'))) == [
        ("error", "boat-name")
    ]


def tablets(*names: str) -> tuple[str, str]:
    entries = (f'{name}: {{mac: "02:00:00:12:34:{n:02x}"}}' for n, name in enumerate(names))
    return "network:", f"network:\n  tablets: {{{', '.join(entries)}}}"


@pytest.mark.parametrize("name", ["tern", "localhost", "ignore", "infinite", "45", "2h", "10d"])
def test_tablets_whose_names_mean_something_else(tmp_path: Path, name: str) -> None:
    (finding,) = checks.check([boat(tmp_path, tablets("mate", name))])
    assert (finding.level, finding.check) == ("error", f"tablet-name.{name}")
    assert finding.location.key == f"network.tablets.{name}"
    assert finding.hint


def test_tablets_with_ordinary_names(tmp_path: Path) -> None:
    names = ("ignored", "h2", "2nd", "local-1", "boat", "m")
    assert found(boat(tmp_path, tablets(*names))) == []


def test_more_tablets_than_the_network_has_room_for(tmp_path: Path) -> None:
    small = ("9.1/24", "9.1/28")
    assert found(boat(tmp_path, small, tablets("a", "b", "c"))) == []
    (finding,) = checks.check([boat(tmp_path, small, tablets("a", "b", "c", "d"))])
    assert (finding.level, finding.check) == ("error", "tablets")
    assert str(finding.location).endswith("tern.yml:4:3: network.tablets")
    assert "shorter prefix" in finding.hint
