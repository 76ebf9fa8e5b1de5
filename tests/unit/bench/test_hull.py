# SPDX-License-Identifier: GPL-3.0-or-later
"""A hull's file is read like a profile: each error has its location and a hint."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.bench.hull.derive import derive
from provision.bench.hull.load import read_hull
from provision.bench.hull.schema import Hull
from provision.errors import UserError, UserErrors
from provision.profile import load

BOATS = Path("boats")

HULL = """\
boat: kittiwake
adapters:
  gnss:
    serial: A1
    instruments:
      - {baud: 38400, talks: {RMC: 5}, wander: 0.2, gaps: {every: 60 s, lasts: 10 s}}
      - {talks: [HDG], checksums: false, garbled: 0.01, powered: false}
  bare: {port: 1-1.3, inverted: true, noise: true}
networks:
  backbone: {can: can0, talks: [heading]}
"""


def read(folder: Path, text: str) -> Hull:
    file = folder / "hull.yml"
    file.write_text(text)
    return read_hull(file, "kittiwake")


def errors_of(folder: Path, text: str) -> list[UserError]:
    with pytest.raises(UserError) as caught:
        read(folder, text)
    error = caught.value
    return error.errors if isinstance(error, UserErrors) else [error]


def test_a_hull_is_read(tmp_path: Path) -> None:
    hull = read(tmp_path, HULL)
    first, second = hull.adapters["gnss"].instruments
    assert (first.baud, first.talks, first.wander) == (38400, {"RMC": 5}, 0.2)
    assert first.gaps and (first.gaps.every, first.gaps.lasts) == (60, 10)
    assert (second.baud, second.checksums, second.powered) == (4800, False, False)
    assert hull.adapters["bare"].inverted
    assert hull.networks["backbone"].can == "can0"


def test_each_instrument_has_a_name_of_its_own(tmp_path: Path) -> None:
    hull = read(tmp_path, HULL)
    assert list(hull.voices("gnss")) == ["gnss", "gnss.2"]
    assert list(hull.voices("bare")) == []


@pytest.mark.parametrize("name", ["kittiwake", "dunlin", "turnstone"])
def test_a_boat_that_is_what_its_profile_says(name: str) -> None:
    profile = load.read(BOATS / f"{name}.yml").profile
    hull = derive(profile)
    assert hull.adapters.keys() == profile.serial_links.keys()
    for link, adapter in hull.adapters.items():
        (instrument,) = adapter.instruments
        assert instrument.baud == profile.serial_links[link].baud
        assert instrument.talks == profile.serial_links[link].talks
        assert adapter.is_emulated


@pytest.mark.parametrize(
    ("text", "line", "message", "hint"),
    [
        ("", 1, "the file has no keys", "adapters"),
        ("boat: dunlin\n", 1, "this is the hull of dunlin, not of kittiwake", "boat: kittiwake"),
        (HULL.replace("38400", "38401"), 6, "38401 is not a baud rate", "4800"),
        (HULL.replace("wander: 0.2", "wander: 2"), 6, "", ""),
        (HULL.replace("serial: A1", "seriel: A1"), 4, "there is no key seriel", "serial"),
        (HULL.replace("lasts: 10 s", "lasts: 60 s"), 6, "a gap lasts less", ""),
        (HULL.replace("backbone", "bare"), 1, "bare names an adapter and a network", ""),
    ],
)
def test_what_is_wrong_has_its_location(
    tmp_path: Path, text: str, line: int, message: str, hint: str
) -> None:
    (error,) = errors_of(tmp_path, text)
    assert error.location and error.location.line == line
    assert message in error.message
    assert hint in (error.hint or "")


def test_the_emulator_has_one_kind_of_adapter() -> None:
    keys = {"serial": "A1"}
    others = [{"interface": 0}, {"vendor": "10c4"}, {"product": "6010"}, {"driver": "cp210x"}]
    adapters = {f"a{number}": {**keys, **other} for number, other in enumerate([{}, *others])}
    hull = Hull.model_validate({"boat": "kittiwake", "adapters": adapters})
    assert [adapter.is_emulated for adapter in hull.adapters.values()] == [True] + [False] * 4
