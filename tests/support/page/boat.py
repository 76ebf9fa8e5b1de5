# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat with a page, and what its feed may say."""

from __future__ import annotations

from typing import Any

from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.page.facts.config import PageConfig, parse


def line(body: str) -> str:
    """A sentence with its checksum, as it stands in the feed's state."""
    return frame(body).decode().rstrip()


def page_json(**changes: Any) -> dict[str, Any]:
    """The page's configuration of a boat with an autopilot."""

    def link(serial: str, talks: dict[str, float], **more: Any) -> dict[str, Any]:
        plug = f"the adapter labelled {serial}"
        return {"kind": "link", "plug": plug, "baud": 4800, "talks": talks, **more}

    return {
        "boat": "tern",
        "hosts": ["10.47.1.1", "tern"],
        "feed": {"address": "10.47.1.1", "port": 10110},
        "wifi": {"ssid": "Tern", "pass_phrase": "canary in a bilge"},
        "codes": {"wifi": "<svg/>"},
        "sources": {
            "gnss": link("TN-GNSS-01", {"RMC": 1.0}),
            "depth-log": link("TN-DPTH-02", {"DPT": 2.0, "MTW": 0.1}),
            "autopilot": link("TN-PLOT-03", {"HDG": 10.0}, listens={"APB": 1.0}),
        },
        "steering": {"link": "autopilot", "from": ["chart-table"], "sentences": ["APB"]},
        "tablets": {"chart-table": "10.47.1.50"},
        **changes,
    }


def page_config(**changes: Any) -> PageConfig:
    return parse(page_json(**changes))


def heard(*bodies: str, age: float = 0.2, **more: Any) -> dict[str, Any]:
    """A source of the feed's state that has just said these sentences."""
    last = {}
    for body in bodies:
        fields = body.split(",")
        key = fields[0][-3:]
        last[f"MWV {fields[2]}" if key == "MWV" else key] = (age, line(body))
    return {
        "present": True,
        "paused": False,
        "sentences": len(bodies),
        "errors": {"checksum": 0, "noise": 0},
        "rates": {key[:3]: 1.0 for key in last},
        "last_heard": age if bodies else None,
        "load": 10.0 if bodies else 0.0,
        "minute": [1] * 60,
        "last": last,
        **more,
    }


RMC = "$GPRMC,142451.00,A,5057.970,N,00146.110,E,5.4,248.3,271126,,,A"
DPT = "$SDDPT,12.8,-1.2"
HDG = "$HCHDG,253.0,,,1.5,W"


def state(links: dict[str, Any] | None = None, **changes: Any) -> dict[str, Any]:
    """Return the feed's state of a healthy boat, with other links laid over its own."""
    usual = {"gnss": heard(RMC), "depth-log": heard(DPT), "autopilot": heard(HDG)}
    steering = {"controller": None, "since": None, "last_heard": None, "refused": 0, "tablets": {}}
    return {
        "running": 1000.0,
        "links": {**usual, **(links or {})},
        "inputs": {},
        "outputs": {"tcp": {"addresses": {}}},
        "believed": {},
        "steering": steering,
        "clock": {"good": {"gnss": 0.4}},
        **changes,
    }
