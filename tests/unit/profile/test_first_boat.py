# SPDX-License-Identifier: GPL-3.0-or-later
"""The profile of a first boat: whatever is answered, it reads and checks."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision import boards
from provision.checks import check
from provision.errors import UserError
from provision.profile import load
from provision.profile.first_boat import ADDRESS, FirstBoat, compose, first_link, name_wifi
from provision.survey.draft.club import free_address


def told(**answers: str) -> FirstBoat:
    usual = {"name": "tern", "board": "x86-64", "country": "FR", "ssid": "Tern", "gnss": "1-1"}
    return FirstBoat(**{**usual, **answers})


@pytest.mark.parametrize("board", boards.names())
@pytest.mark.parametrize("plug", ["1-1", "2-1.4.3", "AB-GNSS-7"])
def test_the_file_has_no_mistake(tmp_path: Path, board: str, plug: str) -> None:
    text = compose(told(board=board, gnss=plug), "tern")
    boat = load.read(tmp_path / "tern.yml", text)
    assert check([boat]) == []
    assert (boat.profile.board, boat.profile.network.access_point.country) == (board, "FR")
    assert plug in str(boat.profile.serial_links["gnss"].adapter)


def test_a_receiver_on_nmea_2000(tmp_path: Path) -> None:
    boat = load.read(tmp_path / "tern.yml", compose(told(gnss="can1"), "tern"))
    assert check([boat]) == []
    assert boat.profile.can_links["backbone"].can == "can1"


@pytest.mark.parametrize("ssid", ["Møwe", "a: b #c", "{x}", "'\"", "0123", "null", "x" * 32])
def test_a_wifi_may_have_any_name(tmp_path: Path, ssid: str) -> None:
    boat = load.read(tmp_path / "tern.yml", compose(told(ssid=ssid), "tern"))
    assert boat.profile.network.access_point.ssid == ssid


def test_a_folder_with_a_line_feed_in_its_name_adds_no_line(tmp_path: Path) -> None:
    text = compose(told(), "'a\nlog: {}/tern.yml'")
    assert load.read(tmp_path / "tern.yml", text).profile.log is None
    assert "provision survey --into tern\n" in text


@pytest.mark.parametrize("plug", ["", "two words", "ttyUSB0", "/dev/ttyUSB0", "é"])
def test_what_is_no_plug(plug: str) -> None:
    with pytest.raises(UserError) as caught:
        first_link(plug)
    assert "provision survey" in caught.value.hint


def test_the_usual_names() -> None:
    assert name_wifi("storm-petrel") == "Storm Petrel"
    assert len(name_wifi("a" * 63)) == 32
    assert free_address(()) == ADDRESS
