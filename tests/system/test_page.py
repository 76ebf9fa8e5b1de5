# SPDX-License-Identifier: GPL-3.0-or-later
"""The boat's page on the bench: what it shows and remembers, and the proofs that see it gone."""

from __future__ import annotations

import http.client
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.support.boats import Club, Virtual
from tests.support.profiles import change
from tests.system.faults.fault import until
from tests.system.faults.instruments import settled


@pytest.fixture(scope="module")
def shown(club: Club, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Virtual]:
    """A running boat with a page, and a log, so that she keeps her history on the card."""
    own = club.copy(Path(tmp_path_factory.mktemp("page")) / "boats")
    change(own.folder / "kittiwake.yml", ("links:\n", "page: true\nlog: {}\nlinks:\n"))
    with own.launch("kittiwake") as boat:
        until(lambda: settled(boat), "the instruments", seconds=180)
        yield boat


def ask(boat: Virtual, path: str, method: str = "GET", host: str = "10.47.1.1") -> tuple[int, str]:
    """Return what the page answers to this computer."""
    asking = http.client.HTTPConnection("127.0.0.1", boat.bench.page_port, timeout=60)
    asking.request(method, path, headers={"Host": host})
    answer = asking.getresponse()
    return answer.status, answer.read().decode()


def view(boat: Virtual) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(ask(boat, "/state.json")[1])
    return found


def test_every_instrument_and_value_is_shown(shown: Virtual) -> None:
    until(lambda: view(shown)["verdict"]["level"] == "ok", "the instruments on the page")
    found = view(shown)
    assert {link["name"] for link in found["links"]} == set(shown.bench.profile.links)
    values = {value["key"]: value["state"] for value in found["values"]}
    assert {"position", "heading", "speed-through-water"} <= values.keys()
    assert shown.bench.where()["page"] == {"host": "127.0.0.1", "port": shown.bench.page_port}


def test_an_unplugged_adapter_is_named(shown: Virtual) -> None:
    shown.bench.unplug("depth-log")
    until(lambda: view(shown)["verdict"]["text"] == "depth-log is unplugged.", "the page to say so")
    shown.bench.plug("depth-log")
    until(lambda: view(shown)["verdict"]["level"] == "ok", "the instrument to come back")


def test_nothing_is_taken(shown: Virtual) -> None:
    assert ask(shown, "/", "POST")[0] == 405
    assert ask(shown, "/", host="stranger.invalid")[0] == 421


def test_the_proofs_see_a_page_that_is_gone(shown: Virtual) -> None:
    subjects = ("page", "ports", "units", "watch")
    result = shown.verify(subjects=subjects)
    assert result.passed, result.summary()
    shown.ask("systemctl stop boat-page.socket boat-page.service")
    failed = {f"{one.subject}: {one.test}" for one in shown.verify(subjects=subjects).failed}
    shown.ask("systemctl start boat-page.socket")
    assert failed == {
        "page: shows this boat [10.47.1.1]",
        "page: takes nothing [10.47.1.1]",
        "ports: listening",
        "units: enabled units are active",
    }
    until(lambda: ask(shown, "/")[0] == 200, "the page to come back")


def remembered(boat: Virtual) -> dict[str, Any]:
    """What boat-watch tells. It is waited for after a start."""
    until(lambda: bool(boat.ask("boat-watch --history", check=False)), "boat-watch", seconds=120)
    found: dict[str, Any] = json.loads(boat.ask("boat-watch --history"))
    return found


def test_the_history_is_on_the_page_and_on_the_card(shown: Virtual) -> None:
    told = remembered(shown)
    assert told["kept"] == "card"
    names = {plot["name"] for plot in view(shown)["history"]["periods"][0]["plots"]}
    assert {*shown.bench.profile.links, "Starts", "Feed", "Memory", "Card"} <= names
    assert "Last 24 hours" in ask(shown, "/plain")[1]
    assert shown.ask("zcat /data/history/history-*.gz").startswith("{")


def test_a_clean_start_and_a_power_cut_are_told_apart(shown: Virtual) -> None:
    """The boat remembers the starts before, and which of them followed a power cut."""
    before = remembered(shown)["month"]["whole"]
    boot = shown.ask("cat /proc/sys/kernel/random/boot_id")
    shown.ask("systemctl reboot", check=False)
    shown.hang_up()

    def restarted() -> bool:
        found = shown.ask("cat /proc/sys/kernel/random/boot_id", check=False)
        return bool(found) and found != boot

    until(restarted, "the boat to start again", seconds=300)
    clean = remembered(shown)["month"]["whole"]
    assert clean["starts"] == before["starts"] + 1
    assert clean["power_cuts"] == before["power_cuts"] == 0
    assert clean["minutes"] > before["minutes"], "what was kept at the end is there"
    shown.power_cycle()
    cut = remembered(shown)["month"]["whole"]
    assert (cut["starts"], cut["power_cuts"]) == (clean["starts"] + 1, 1)
