# SPDX-License-Identifier: GPL-3.0-or-later
"""The survey's program beside a running feed: it disturbs no link, and gives back what it took."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random
from typing import Any

import pytest

from provision.errors import UserError
from provision.survey.adapters import Adapter
from provision.survey.remote.boat import finish, get_plan, links_to_pause
from provision.survey.remote.session import Broken
from tests.support.feed.rig import Tablet
from tests.support.hull import Talker, wire
from tests.support.hull_ports import ports
from tests.support.survey_rig import Aboard, RunningFeed, Talking, aboard, running_feed, wait_until


def quiet(adapter: Adapter, state: str) -> None:
    """Show nothing."""


def devices(links: dict[str, dict[str, Any]]) -> list[str]:
    return [link["device"] for link in links.values() if Path(link["device"]).exists()]


@contextmanager
def closing_tablet(feed: RunningFeed) -> Iterator[Tablet]:
    tablet = feed.tablet()
    yield tablet
    tablet.close()


def test_links_of_the_feed_are_reported_and_lose_nothing(tmp_path: Path) -> None:
    """Two new adapters are listened to beside a feed that carries three links."""
    wires = [
        wire(Random(1), Talker(9600, ("RMC", "GGA"), 0.5)),
        iter(()),
        wire(Random(2), Talker(4800, ("MWV",), 0.5)),
    ]
    states: list[str] = []

    def show(adapter: Adapter, state: str) -> None:
        states.append(f"{adapter.device}: {state}")

    with ports(*wires) as (new, silent, garbled), Talking(tmp_path / "depth") as depth:
        links = {
            "depth": {"device": str(tmp_path / "depth"), "talks": {"DPT": 20}},
            "wind": {"device": garbled.device, "baud": 38400},
        }
        with running_feed(tmp_path, links) as feed, closing_tablet(feed) as tablet:
            first = depth.said + 5
            time.sleep(4)
            with aboard(feed.places, new.device, silent.device, *devices(links)) as program:
                plan = get_plan(program.session)
                found = finish(program.session, plan, [], show)
            depth._stop.set()
            assert depth.missing(tablet, first) == []
    by_device = {report.adapter.device: report for report in found.ports}
    assert (by_device[new.device].baud, by_device[new.device].looks_like) == (9600, "GNSS receiver")
    assert (by_device[silent.device].state, by_device[silent.device].feed) == ("silent", "")
    told = by_device[str(tmp_path / "depth")]
    assert (told.link, told.feed, told.baud, told.looks_like) == (
        *("depth", "heard", 4800, "echo sounder"),
    )
    assert told.sentences["DPT"].mean == pytest.approx(19, abs=3)  # type: ignore[union-attr]
    wind = by_device[garbled.device]
    assert (wind.feed, wind.baud) == ("garbled", None)
    assert "survey with --all" in wind.advice[0]
    assert f"{new.device}: 9600 baud: GNSS receiver" in states
    assert new.sent == silent.sent == b""


def test_all_pauses_one_link_after_another_and_gives_each_back(tmp_path: Path) -> None:
    """One of them has another baud rate than its profile says: that is found out."""
    wires = [wire(Random(n), Talker(4800, ("HDG", "ROT"), 0.3)) for n in (1, 2)]
    with ports(*wires) as (right, wrong), Talking(tmp_path / "depth") as depth:
        links = {
            "depth": {"device": str(tmp_path / "depth"), "talks": {"DPT": 20}},
            "compass": {"device": right.device, "baud": 4800},
            "second": {"device": wrong.device, "baud": 38400},
        }
        with running_feed(tmp_path, links) as feed, closing_tablet(feed) as tablet:
            first = depth.said + 5
            with aboard(feed.places, *devices(links)) as program:
                plan = get_plan(program.session)
                pause = [link for link in plan.links if link.name != "depth"]
                found = finish(program.session, plan, pause, quiet)
            wait_until(lambda: feed.has("compass") and feed.has("second"), 3)
            heard = feed.link("compass")["sentences"]
            wait_until(lambda: feed.link("compass")["sentences"] > heard + 3)
            depth._stop.set()
            assert depth.missing(tablet, first) == []
            assert feed.link("depth")["opened"] == 1
            assert [feed.link(name)["opened"] for name in ("compass", "second")] == [2, 2]
    assert [(port.link, port.baud, port.feed) for port in found.ports] == [
        ("compass", 4800, ""),
        ("second", 4800, ""),
        ("depth", 4800, "heard"),
    ]


@contextmanager
def silent_compass(folder: Path, **keys: Any) -> Iterator[RunningFeed]:
    """A feed with a compass that says nothing, and a link whose adapter is not plugged in."""
    with ports(iter(())) as (port,):
        links = {"compass": {"device": port.device}, "gone": {"device": str(folder / "none")}}
        with running_feed(folder, links, **keys) as feed:
            yield feed


def started_pause(feed: RunningFeed, program: Aboard) -> None:
    """Have the program listen on the only link, which it hears nothing on."""
    plan = get_plan(program.session)
    assert plan.can_pause
    program.session.send({"pause": ["compass"]})
    wait_until(lambda: feed.link("compass")["paused"])


@pytest.mark.parametrize("how", ["cancelled", "killed", "silent"])
def test_a_survey_that_ends_early_gives_the_link_back(tmp_path: Path, how: str) -> None:
    with silent_compass(tmp_path) as feed:
        with aboard(feed.places) as program:
            started_pause(feed, program)
            begun = time.monotonic()
            if how == "cancelled":
                program.session.close()
            elif how == "killed":
                program.process.kill()
            else:
                # As when the Wi-Fi is lost: the connection stays, and nothing comes.
                program.session._closed.set()
            wait_until(lambda: feed.has("compass"), 13)
            seconds = time.monotonic() - begun
            assert program.process.wait(3) != 0
        assert seconds < (13 if how == "silent" else 1)
        assert feed.link("compass")["opened"] == 2


def test_the_feed_takes_its_link_back_when_it_ends_itself(tmp_path: Path) -> None:
    with silent_compass(tmp_path) as feed, aboard(feed.places) as program:
        started_pause(feed, program)
        feed.process.terminate()
        while (message := program.session.receive(5))["kind"] != "port":
            assert message["kind"] == "progress"
        assert message["error"] == "the feed took its port back before it was certain"


def test_a_trial_that_begins_meanwhile_gets_the_link_at_once(tmp_path: Path) -> None:
    """Its proof would miss the link, and roll back what has nothing to do with it."""
    with silent_compass(tmp_path) as feed, aboard(feed.places) as program:
        started_pause(feed, program)
        (tmp_path / "trial.json").write_text("{}")
        wait_until(lambda: feed.has("compass"), 2)
        while (message := program.session.receive(5))["kind"] != "port":
            assert message["kind"] == "progress"
        assert message["error"].startswith("settings are on trial now")


def test_a_boat_whose_settings_know_no_pause(tmp_path: Path) -> None:
    old = {"state": {"socket": str(tmp_path / "state.sock")}}
    with silent_compass(tmp_path, **old) as feed, aboard(feed.places) as program:
        plan = get_plan(program.session)
        assert (plan.can_pause, plan.answers) == (False, True)
        with pytest.raises(UserError, match="gives no port away") as refused:
            links_to_pause("tern", plan)
        assert "survey without --all" in refused.value.hint
        compass, gone = finish(program.session, plan, [], quiet).ports
    assert (compass.link, compass.feed) == ("compass", "silent")
    assert (gone.link, gone.feed, gone.state) == ("gone", "absent", "absent")


def test_a_trial_is_not_endangered(tmp_path: Path) -> None:
    (tmp_path / "trial.json").write_text("{}")
    with silent_compass(tmp_path) as feed, aboard(feed.places) as program:
        plan = get_plan(program.session)
    with pytest.raises(UserError, match="settings are on trial on tern"):
        links_to_pause("tern", plan)


def test_a_boat_whose_feed_does_not_run(tmp_path: Path) -> None:
    with silent_compass(tmp_path) as feed:
        pass
    with aboard(feed.places) as program:
        plan = get_plan(program.session)
        reports = finish(program.session, plan, [], quiet).ports
    assert [report.error for report in reports] == 2 * ["the boat's feed tells nothing of it"]


def test_what_the_pilot_would_miss_is_said_before(tmp_path: Path) -> None:
    for name in ("gnss", "pilot", "depth"):
        os.close(os.open(tmp_path / name, os.O_CREAT))
    places = {"config": str(tmp_path / "feed.json"), "sys": "/none", "trial": "/none"}
    (tmp_path / "feed.json").write_text(
        '{"links": {"gnss": {"device": "/dev/boat/gnss", "talks": {"RMC": 1, "GGA": 1}},'
        ' "depth": {"device": "/dev/boat/depth", "talks": {"DPT": 1}},'
        ' "pilot": {"device": "/dev/boat/pilot", "listens": {"APB": 1, "RMC": 1}}},'
        ' "steering": {"link": "pilot", "sentences": ["APB"], "from": {}},'
        f' "state": {{"socket": "{tmp_path}/none"}}}}'
    )
    with aboard(places) as program:
        plan = get_plan(program.session)
    assert {link.name: link.pilot for link in plan.links} == {
        "gnss": "the pilot gets no RMC from gnss",
        "depth": "",
        "pilot": "the pilot on pilot is sent nothing",
    }


def test_a_feed_json_that_is_not_understood_is_named(tmp_path: Path) -> None:
    (tmp_path / "feed.json").write_text('{"links": []}')
    places = {"config": str(tmp_path / "feed.json"), "sys": "/none", "trial": "/none"}
    with aboard(places) as program:
        message = program.session.receive(20)
    assert message["kind"] == "error"
    assert "feed.json is not understood" in message["message"]


def test_a_network_is_planned_and_listened_to(tmp_path: Path) -> None:
    """This machine has no such interface, which is said and stops nothing."""
    folder = tmp_path / "sys/class/net/can9"
    folder.mkdir(parents=True)
    (folder / "type").write_text("280\n")
    (tmp_path / "feed.json").write_text('{"links": {"backbone": {"can": "can9", "talks": {}}}}')
    places = {"config": str(tmp_path / "feed.json"), "sys": str(tmp_path / "sys"), "trial": "/none"}
    with aboard(places) as program:
        plan = get_plan(program.session)
        assert (plan.networks, plan.links, plan.free) == (["can9"], [], [])
        found = finish(program.session, plan, [], quiet)
    assert [(network.device, network.groups) for network in found.networks] == [("can9", ())]
    assert found.networks[0].error


def test_a_port_that_is_not_there_is_named(tmp_path: Path) -> None:
    places = {"config": "/none", "sys": "/none", "trial": "/none"}
    absent = pytest.raises(UserError, match="/dev/none is not there")
    with aboard(places, "/dev/none") as program, absent:
        get_plan(program.session)


def test_nothing_is_left_aboard_and_nothing_of_the_laptop_is_needed(tmp_path: Path) -> None:
    before = {entry.name for entry in Path("/tmp").iterdir()}
    with aboard({"config": "/none", "sys": "/none", "trial": "/none"}) as program:
        get_plan(program.session)
        maps = Path(f"/proc/{program.process.pid}/maps").read_text()
        assert "site-packages" not in maps
        program.session.send({"pause": []})
        assert program.session.receive(5) == {"kind": "end"}
        assert program.process.wait(5) == 0
        with pytest.raises(Broken, match="ended aboard"):
            program.session.receive(5)
    left = {entry.name for entry in Path("/tmp").iterdir()} - before
    assert not {name for name in left if "survey" in name}
