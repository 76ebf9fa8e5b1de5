# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat's messages are read by types and bounds, and reach a screen without control codes."""

from __future__ import annotations

import io
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from provision.survey.adapters import Adapter
from provision.survey.console import network_table, result_table
from provision.survey.groups import GroupReport, NetworkReport
from provision.survey.remote.boat import finish
from provision.survey.remote.messages import NetworkMessage, Plan, PortMessage, read
from provision.survey.remote.session import Broken
from provision.survey.report import PortReport, Rate

ADAPTER = Adapter("/dev/ttyUSB0", "KW-01", "1-1.2", 0, "serial_driver", "1d6b", "0104")
REPORT = PortReport(
    ADAPTER,
    baud=4800,
    sentences={"GPRMC": Rate(1.0, 0.9, 1.1), "GPZDA": None},
    looks_like="GNSS receiver",
    advice=("exchange the two wires",),
)
LINK = {
    "name": "gnss",
    "baud": 4800,
    "adapter": vars(ADAPTER),
    "state": {"present": True, "rates": {"RMC": 1.0}, "last_heard": 0.5, "opened": 1},
    "pilot": "",
}
PLAN: dict[str, Any] = {
    "kind": "plan",
    "adapters": [vars(ADAPTER)],
    "others": [],
    "networks": ["can0"],
    "links": [],
    "running": 100.0,
    "answers": True,
    "can_pause": True,
    "trial": False,
}


def sent(message: dict[str, Any]) -> dict[str, Any]:
    """As it comes over the wire."""
    return dict(json.loads(json.dumps(message)))


def test_a_report_comes_back_as_it_was() -> None:
    assert read(PortMessage, sent(REPORT.as_json())).report(ADAPTER) == REPORT
    network = NetworkReport("can0", (GroupReport(127250, 3, 10.0, True),))
    assert read(NetworkMessage, sent(network.as_json())).report() == network


def test_a_plan() -> None:
    plan = read(Plan, sent({**PLAN, "links": [LINK]}))
    assert plan.free == [ADAPTER]
    assert plan.links[0].state is not None and plan.links[0].state.rates == {"RMC": 1.0}


@pytest.mark.parametrize(
    "change",
    [
        {"adapters": None},
        {"adapters": [{}]},
        {"adapters": [vars(ADAPTER)] * 201},
        {"adapters": [{**vars(ADAPTER), "serial": "x" * 501}]},
        {"adapters": [{**vars(ADAPTER), "interface": "0"}]},
        {"networks": ["can0"] * 201},
        {"running": -1},
        {"running": 1e300},
        {"running": "1"},
        {"answers": 1},
        {"links": [{**LINK, "baud": -1}]},
        {"links": [{**LINK, "state": {"rates": {str(n): 1.0 for n in range(201)}}}]},
        {"links": [{**LINK, "state": {"load": None}}]},
    ],
)
def test_a_plan_of_another_shape_is_refused(change: dict[str, Any]) -> None:
    with pytest.raises(Broken, match="it sent a plan that is not understood"):
        read(Plan, {**PLAN, **change})


@given(st.dictionaries(st.sampled_from([*PLAN]), st.none() | st.text() | st.floats() | st.lists(
    st.dictionaries(st.text(max_size=8), st.integers() | st.text())
)))  # fmt: skip
def test_any_plan_is_read_or_refused(change: dict[str, Any]) -> None:
    try:
        read(Plan, {**PLAN, **change})
    except Broken:
        return


class Said:
    """A session whose boat has said all this."""

    def __init__(self, *messages: dict[str, Any]) -> None:
        self.left, self.asked = [*messages], []

    def send(self, message: dict[str, Any]) -> None:
        self.asked.append(message)

    def receive(self, seconds: float) -> dict[str, Any]:
        assert 0 < seconds < 200
        return self.left.pop(0)


@pytest.mark.parametrize(
    "message",
    [
        {},
        {"kind": ["port"], "device": {}},
        {"kind": "port", "device": "/dev/ttyUSB1"},
        {"kind": "port", "device": "/dev/ttyUSB0", "baud": "4800"},
        {"kind": "network", "device": "can1"},
        {"kind": "network", "device": "can0", "groups": [{"pgn": 2**18}], "error": None},
        {"kind": "progress", "device": "/dev/ttyUSB0", "state": "x" * 501},
        {"kind": "progress", "device": "/dev/ttyUSB9", "state": "trying"},
        {"kind": "plan"},
    ],
)
def test_what_was_not_asked_for_is_refused(message: dict[str, Any]) -> None:
    session = Said(message)
    with pytest.raises(Broken):
        finish(session, read(Plan, PLAN), [], lambda *_: None)
    assert session.asked == [{"pause": []}]


def test_control_codes_reach_no_screen() -> None:
    evil = "\x1b]0;x\x07\x1b[2J\u202e"
    adapter = {**vars(ADAPTER), "product_name": evil, "device": f"/dev/{evil}"}
    report = {**REPORT.as_json(), "device": f"/dev/{evil}", "looks_like": evil, "advice": [evil]}
    report |= {"sentences": {evil: 1.0}, "spread": {}}
    link = {**LINK, "name": evil, "adapter": adapter | {"device": f"/dev/boat/{evil}"}}
    plan = read(Plan, sent({**PLAN, "adapters": [adapter], "links": [link], "networks": [evil]}))
    network = {"kind": "network", "device": evil, "groups": [], "error": evil}
    shown: list[str] = []
    session = Said({"kind": "port", **report}, network, {"kind": "end"})
    found = finish(session, plan, [], lambda _, state: shown.append(state))
    text = io.StringIO()
    console = Console(file=text, width=200)
    console.print(result_table(found.ports))
    console.print(network_table(found.networks))
    assert "\x1b" not in text.getvalue() and "\u202e" not in text.getvalue()
    assert "\\u001b" in json.dumps(found.as_json())
