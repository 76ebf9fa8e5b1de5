# SPDX-License-Identifier: GPL-3.0-or-later
"""feed.json of any version is read, and what a pilot would miss is known before a pause."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from provision.onboard.feed.config.json_reader import ConfigError
from provision.onboard.feed.config.models import PAUSE_SOCKET, STATE_SOCKET
from provision.survey.aboard.settings import FeedFacts, Link
from tests.support.render_rig import BOATS, Render, text

DEVICE = "/dev/boat/x"


def facts(folder: Path, told: Any) -> FeedFacts:
    (folder / "feed.json").write_text(json.dumps(told))
    return FeedFacts.read(folder / "feed.json")


def losses(folder: Path, heard: tuple[str, ...] = (), **told: Any) -> dict[str, str]:
    """What a pilot loses, by link. `heard` are formatters that the feed has heard on each."""
    links = {name: {"device": DEVICE, **keys} for name, keys in told.pop("links").items()}
    found = facts(folder, {"links": links, **told})
    return {link.name: found.concerns_pilot(link, frozenset(heard)) for link in found.links}


@pytest.mark.parametrize("boat", BOATS)
def test_what_the_tool_writes_is_read(rendered: Render, tmp_path: Path, boat: str) -> None:
    written = json.loads(text(rendered(**BOATS[boat]), "/etc/boat/feed.json"))
    found = facts(tmp_path, written)
    names = {name for name, link in written["links"].items() if "device" in link}
    assert {link.name for link in found.links} == names
    assert (found.state_socket, found.pause_socket) == (STATE_SOCKET, PAUSE_SOCKET)
    assert found.pilot == written.get("steering", {}).get("link", "")


def test_older_settings_know_no_pause(tmp_path: Path) -> None:
    found = facts(tmp_path, {"links": {"gnss": {"device": DEVICE, "talks": {"RMC": 1}}}})
    assert found.links == (Link("gnss", DEVICE, 4800, frozenset({"RMC"}), frozenset()),)
    assert (found.pause_socket, found.state_socket) == ("", STATE_SOCKET)


def test_a_network_and_what_the_feed_makes_of_it(tmp_path: Path) -> None:
    some, all_ = {"can": "can0", "talks": {"HDG": 10}}, {"can": "can1", "talks": {}}
    found = facts(tmp_path, {"links": {"backbone": some, "second": all_}})
    assert found.links == ()
    assert found.networks is not None
    assert found.networks["can0"] == {"HDG"}
    assert {"HDG", "DPT", "MWV"} <= found.networks["can1"]


def test_a_boat_without_a_feed(tmp_path: Path) -> None:
    assert FeedFacts.read(tmp_path / "none") == FeedFacts()


@pytest.mark.parametrize(
    "told", [[], {}, {"links": None}, {"links": {"gnss": None}}, {"links": {"a": {"device": 1}},
     "steering": {"from": []}}, {"links": {}, "state": []}]
)  # fmt: skip
def test_what_is_not_understood_is_named(tmp_path: Path, told: Any) -> None:
    with pytest.raises(ConfigError, match=r"feed\.json is not understood"):
        facts(tmp_path, told)


LINKS = {
    "gnss": {"talks": {"RMC": 1, "GGA": 1}},
    "wind": {"talks": {"MWV": 2}},
    "plotter": {"talks": {"APB": 1}},
    "pilot": {"listens": {"APB": 1, "MWV": 2, "HDG": 10}},
}
STEERING = {"link": "pilot", "sentences": ["APB"], "from": {"helm": {"link": "plotter"}}}


def test_the_pilot_the_plotter_that_steers_it_and_the_wind_that_it_follows(tmp_path: Path) -> None:
    assert losses(tmp_path, links=LINKS, steering=STEERING) == {
        "gnss": "",
        "wind": "the pilot gets no MWV from wind",
        "plotter": "the pilot gets no APB from plotter",
        "pilot": "the pilot on pilot is sent nothing",
    }


def test_a_link_without_talks_is_judged_by_what_it_says(tmp_path: Path) -> None:
    links = {"compass": {}, "pilot": LINKS["pilot"]}
    found = losses(tmp_path, ("HDG", "ROT"), links=links, steering=STEERING)
    assert found["compass"] == "the pilot gets no HDG from compass"


def test_who_does_not_steer_takes_no_steering_away(tmp_path: Path) -> None:
    steering = {**STEERING, "from": {"chart-table": {"address": "10.47.1.50"}}}
    assert losses(tmp_path, links=LINKS, steering=steering)["plotter"] == ""


def test_a_pilot_is_one_without_steering_too(tmp_path: Path) -> None:
    """It listens for sentences that steer, and may follow the wind."""
    found = losses(tmp_path, links=LINKS)
    assert found["pilot"] == "the pilot on pilot is sent nothing"
    assert found["wind"] == "the pilot gets no MWV from wind"


def test_a_display_is_no_pilot(tmp_path: Path) -> None:
    links = {"display": {"listens": {"MWV": 2, "DPT": 1}}, "wind": LINKS["wind"]}
    assert losses(tmp_path, links=links) == {"display": "", "wind": ""}
