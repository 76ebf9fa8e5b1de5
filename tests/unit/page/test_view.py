# SPDX-License-Identifier: GPL-3.0-or-later
"""What people aboard are told."""

from __future__ import annotations

import json
from typing import Any

import pytest

from provision.onboard.page.facts.health import Health
from provision.onboard.page.view.view import make_view
from tests.support.page.boat import DPT, RMC, heard, page_config, page_json, state

WELL = Health(degraded=False)


def view(told: dict[str, Any] | None, health: Health = WELL, **config: Any) -> dict[str, Any]:
    made = make_view(page_config(**config), told, health)
    assert json.dumps(made)
    return made


def values(made: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {value["key"]: value for value in made["values"]}


def test_all_is_well() -> None:
    made = view(state())
    assert made["verdict"] == {"level": "ok", "text": "All 3 instruments are heard.", "action": ""}
    assert made["issues"] == [] and made["live"] and made["caution"] == "not for navigation"
    depth = values(made)["depth-below-keel"]
    assert (depth["text"], depth["unit"], depth["source"]) == (["11.6"], "metres", "depth-log")
    assert depth["state"] == "fresh" and depth["age"] == 0.2


def test_an_unplugged_adapter_is_named_with_what_to_do() -> None:
    gone = heard(DPT, age=120.0, present=False)
    made = view(state({"depth-log": gone}))
    assert made["verdict"] == {
        "level": "trouble",
        "text": "depth-log is unplugged.",
        "action": "Push in the adapter labelled TN-DPTH-02.",
    }
    assert made["issues"][0]["since"] == 120.0
    depth = values(made)["depth-below-keel"]
    assert (depth["state"], depth["text"], depth["age"]) == ("old", ["11.6"], 120.0)


def test_a_pulled_adapter_is_told_of_at_once() -> None:
    made = view(state({"depth-log": heard(DPT, present=False)}))
    assert made["verdict"]["text"] == "depth-log is unplugged."


def test_several_silent_instruments_are_counted() -> None:
    made = view(state({"gnss": heard(), "depth-log": heard(DPT, age=60.0)}))
    assert made["verdict"]["text"] == "2 of 3 instruments are not heard: gnss and depth-log."
    assert [issue["level"] for issue in made["issues"]] == ["trouble", "trouble"]
    assert values(made)["position"]["state"] == "never"


def test_a_wrong_baud_rate_is_told_from_silence() -> None:
    made = view(state({"gnss": heard(load=30.0)}))
    assert made["verdict"]["text"] == "gnss sends what cannot be read."
    assert "4800 baud" in made["verdict"]["action"]


def test_a_sea_without_ships_is_no_fault_of_the_receiver() -> None:
    sources = page_json()["sources"]
    sources["ais"] = {**sources["gnss"], "talks": {"VDM": 1.0, "VDO": 1.0}}
    silent = {**heard(DPT, age=200.0), "last": {}}
    assert view(state({"ais": silent}), sources=sources)["verdict"]["level"] == "ok"
    silent = {**heard(DPT, age=400.0), "last": {}, "load": 0.0}
    assert view(state({"ais": silent}), sources=sources)["verdict"]["text"] == "ais is silent."


def test_a_feed_that_has_just_started_is_no_trouble() -> None:
    made = view(state({"gnss": heard()}, running=2.0))
    assert made["verdict"] == {"level": "ok", "text": "Waiting to hear gnss.", "action": ""}


def test_without_the_feed_nothing_is_known() -> None:
    made = view(None)
    assert not made["live"] and made["verdict"]["level"] == "trouble"
    assert {link["status"] for link in made["links"]} == {"unknown"}
    assert all(value["state"] == "never" and not value["text"] for value in made["values"])
    assert made["issues"] == []


@pytest.mark.parametrize(
    ("age", "expected"), [(0.5, "fresh"), (4.0, "late"), (29.0, "late"), (31.0, "old")]
)
def test_a_value_grows_old(age: float, expected: str) -> None:
    made = view(state({"gnss": heard(RMC, age=age)}))
    assert values(made)["position"]["state"] == expected


def test_a_slow_sentence_is_late_by_its_own_rate() -> None:
    told = state({"depth-log": heard(DPT, "$IIMTW,15.2,C", age=25.0)})
    assert values(view(told))["sea-temperature"]["state"] == "fresh"
    assert values(view(told))["depth-below-keel"]["state"] == "late"


def test_a_void_sentence_shows_no_value() -> None:
    void = RMC.replace(",A,5057", ",V,5057")
    made = view(state({"gnss": heard(void)}))
    position = values(made)["position"]
    assert (position["state"], position["text"]) == ("void", [])
    assert made["verdict"]["text"] == "gnss has no valid position."
    assert made["verdict"]["level"] == "notice"


def test_the_value_is_the_believed_sources() -> None:
    other = "$GPRMC,142451.00,A,5100.000,N,00200.000,E,1.0,001.0,271126,,,A"
    sources = page_json()["sources"]
    sources["gnss-2"] = {**sources["gnss"], "plug": "the adapter labelled TN-GNSS-09"}
    links = {"gnss": heard(RMC), "gnss-2": heard(other)}
    made = view(state(links), sources=sources)
    assert values(made)["position"]["source"] == "gnss"
    believed = {"position": {"source": "gnss-2", "since": 4.0}}
    made = view(state(links, believed=believed), sources=sources)
    assert values(made)["position"]["source"] == "gnss-2"
    # The one that is believed has fallen silent: its old value is not mixed with the other's.
    links["gnss-2"] = heard(other, age=40.0)
    made = view(state(links, believed=believed), sources=sources)
    assert values(made)["position"]["source"] == "gnss-2"
    assert values(made)["position"]["state"] == "old"


def test_another_source_serves_while_none_is_preferred() -> None:
    sources = page_json()["sources"]
    sources["gnss-2"] = sources["gnss"]
    made = view(state({"gnss": heard(RMC, age=50.0), "gnss-2": heard(RMC)}), sources=sources)
    assert values(made)["position"]["source"] == "gnss-2"


def test_who_steers_and_who_may() -> None:
    made = view(state())["steering"]
    assert made["text"] == "No device steers autopilot." and made["may"] == ["chart-table"]
    told = state()
    told["steering"] |= {"controller": "chart-table", "since": 60.0, "refused": 3}
    made = view(told)["steering"]
    assert made["text"] == "chart-table steers autopilot." and made["refused"] == 3
    assert "not known" in view(None)["steering"]["text"]
    made = view(state(), steering=None)["steering"]
    assert made["rule"] == "No device on the boat's network may steer."


@pytest.mark.parametrize(
    ("health", "text"),
    [
        (Health(undervoltage=True), "The computer's supply has been too low."),
        (Health(celsius=85.0), "The computer is hot."),
        (Health(memory_available=10**7), "The computer's memory is nearly full."),
        (Health(card_writable=False), "The card is failing."),
        (Health(card_writable=True, card_free=10**9, card_errors=2), "The card is failing."),
        (Health(card_writable=True, card_free=10**6, card_errors=0), "The card is nearly full."),
        (Health(on_trial=True), "New settings are on trial."),
        (Health(degraded=True), "The boat started with other settings than its own."),
    ],
)
def test_what_ails_the_computer_is_a_notice(health: Health, text: str) -> None:
    made = view(state(), health)
    assert (made["verdict"]["level"], made["verdict"]["text"]) == ("notice", text)
    assert made["verdict"]["action"]
    # An instrument that is not heard matters more.
    made = view(state({"gnss": heard()}), health)
    assert made["verdict"]["text"] == "gnss is silent." and made["issues"][1]["text"] == text


def test_the_clock_is_sure_while_a_receiver_tells_the_time() -> None:
    def clock(told: dict[str, Any]) -> str:
        return {line["name"]: line["text"] for line in view(told)["computer"]}["Clock"]

    assert clock(state()) == "right, by gnss"
    assert clock(state(clock={"good": {"gnss": 300.0}})).startswith("not sure")
    assert clock(state(clock={"good": {}})).startswith("not sure")
    assert "no instrument" in clock(state(clock=None))


def test_names_cannot_hide_or_turn_around_what_is_beside_them() -> None:
    bad = "\u202egnss\x1b[2J\u200f" + "x" * 100
    sources = {bad: page_json()["sources"]["gnss"]}
    made = view(state({bad: heard(RMC)}), sources=sources, boat=bad)
    for name in (made["boat"], made["links"][0]["name"], values(made)["position"]["source"]):
        assert name.startswith("gnss[2Jxxx") and name.endswith("…") and len(name) == 64


def test_tablets_and_other_readers_of_the_feed() -> None:
    told = state(outputs={"tcp": {"addresses": {"10.47.1.50": 2, "10.47.1.77": 1}}})
    assert view(told)["tablets"] == [
        {"name": "chart-table", "connections": 2},
        {"name": "10.47.1.77", "connections": 1},
    ]


def test_the_pass_phrase_is_shown_only_if_it_is_there() -> None:
    assert view(state())["connect"]["pass_phrase"] == "canary in a bilge"
    made = view(state(), wifi={"ssid": "Tern"}, codes={})
    assert made["connect"]["pass_phrase"] is None and made["connect"]["codes"] == []
