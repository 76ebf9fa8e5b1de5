# SPDX-License-Identifier: GPL-3.0-or-later
"""The command log: days, exports, and what it says when there is nothing."""

from __future__ import annotations

from pathlib import Path

import gpxpy
import pytest

from provision.profile.scaffold import create_club
from tests.support.command import Call
from tests.support.voyage import voyage


@pytest.fixture
def club(call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the example club in ./boats, where the commands are typed."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TZ", "UTC")
    create_club(tmp_path / "boats")
    return tmp_path / "boats"


@pytest.fixture
def copied(club: Path) -> Path:
    folder = club / "backup/kittiwake/log"
    folder.mkdir(parents=True)
    return voyage(folder)


def test_without_a_copy_it_says_how_to_get_one(call: Call, club: Path) -> None:
    said = call("log", "kittiwake")
    assert said.status == 2
    assert "there is no voyage log here" in said.err
    assert "provision backup kittiwake" in said.err


def test_days_are_listed(call: Call, copied: Path) -> None:
    said = call("log", "kittiwake")
    assert said.status == 0
    assert said.out.splitlines() == [
        "2026-05-03  22:00 to 23:01  depth-log 1, gnss 721",
        "2026-05-04  00:00 to 00:09  gnss 120",
    ]
    days = call("log", "kittiwake", "--json").result["days"]
    assert [(day["day"], day["files"]) for day in days] == [
        ("2026-05-03", [copied.name]),
        ("2026-05-04", [copied.name]),
    ]


def test_a_day_is_exported(call: Call, copied: Path, tmp_path: Path) -> None:
    out, plain = tmp_path / "day.gpx", tmp_path / "day.nmea"
    said = call("log", "kittiwake", "--day", "2026-05-04", "--gpx", out, "--sentences", plain)
    assert said.status == 0, said.err
    (track,) = gpxpy.parse(out.read_text()).tracks
    assert track.name == "kittiwake 2026-05-04"
    assert len(track.segments[0].points) == 60
    assert plain.read_bytes().count(b"\r\n") == 120
    again = call("log", "kittiwake", "--day", "2026-05-04", "--gpx", out)
    assert again.status == 2
    assert "is there already" in again.err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--gpx", "x"), "has 2 days, and no --day says which"),
        (("--day", "2026-05-09"), "its last days are 2026-05-03, 2026-05-04"),
        (("--day", "yesterday"), "write it as 2026-05-03"),
        (("--day", "2026-05-04", "--gpx", "x", "--source", "log"), "there are gnss"),
    ],
)
def test_a_mistake_says_what_there_is(
    call: Call, copied: Path, words: tuple[str, ...], told: str
) -> None:
    said = call("log", "kittiwake", *words)
    assert said.status == 2
    assert told in said.err
    assert not Path("x").exists()
