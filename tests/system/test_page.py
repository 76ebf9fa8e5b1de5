# SPDX-License-Identifier: GPL-3.0-or-later
"""The boat's page on the bench: what it shows, and the proofs that see it gone."""

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
    """A running boat with a page."""
    own = club.copy(Path(tmp_path_factory.mktemp("page")) / "boats")
    change(own.folder / "kittiwake.yml", ("links:\n", "page: true\nlinks:\n"))
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
    subjects = ("page", "ports", "units")
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
