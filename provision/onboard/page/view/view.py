# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the one view that the page, /plain and /state.json show.

/state.json and each event of /events are one JSON object. /history.json is its key `history`, which
events do not have. Seconds are counted back from the moment
at which the boat answered; no time of day is compared.

    format      1. It rises when a key is removed or changes its meaning
    boat        the boat's name
    caution     "not for navigation"
    live        true if the feed has just answered. Else nothing is known of links and values
    verdict     level (ok, notice, trouble), text (one sentence), action (what to do, or "")
    issues      all that is wrong, the worst first: level, text, action, and since (seconds or null)
    steering    text and rule (sentences), link, steers (name or null), since, last_heard, may,
                sentences, refused (how many sentences), tablets (by name, how it has joined)
    values      key, name, text (lines), unit, source, age, and state: fresh, late, old, void (its
                sentence says that it is not valid) or never (not heard since the feed started)
    links       name, kind (link, network, input), status (heard, silent, garbled, absent, paused,
                waiting, quiet, unknown), last_heard, minute (sentences in each of the last 60
                seconds, the present one last), rates (formatter, heard and wanted a second),
                listens (formatters that it is sent), baud, load (percent), errors, plug
    tablets     name (of the profile, or an address), connections to the feed
    computer    name, text and level (ok, notice) of the computer's supply, temperature, memory,
                card, settings and clock
    connect     ssid, pass_phrase (or null), address and port of the feed, page (address), codes
                (those of /wifi.svg and /page.svg that are there)
    charts      null for a boat without charts; else address (where tablets fetch them), text (how
                the last copy from a stick is getting on or has ended), action (what to do, or ""),
                running, share (copied so far, 0 to 1, or null), left_out (the first names that are
                not copied, each with the reason)
    history     what the boat remembers: text (where it is kept), concerns (text and action), and
                periods: name, bins, and plots of name, text (says what is drawn), drawn and on (SVG
                path data in a box of bins by 20: the greatest value fills its height; `on` is
                where something is known). Without an answer of boat-watch there are no periods
    tick        seconds on a clock of the boat's that is never set, when the feed was asked: a
                reader of events sees by it how long an event has waited on the way
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from provision.onboard.page.facts.config import PageConfig
from provision.onboard.page.facts.health import Health
from provision.onboard.page.view.charts import describe_charts
from provision.onboard.page.view.computer import describe_computer
from provision.onboard.page.view.sources import Issue, describe_sources
from provision.onboard.page.view.steering import describe_steering
from provision.onboard.page.view.text import clean, listed
from provision.onboard.page.view.values import describe_values

FORMAT = 1
CAUTION = "not for navigation"

_LEVELS = ("trouble", "notice")


def make_view(
    config: PageConfig,
    state: Mapping[str, Any] | None,
    health: Health,
    copying: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Return the view. `state` is the feed's, or None when the feed does not answer.

    `copying` is the state of the copy of charts, or None before one.
    """
    links, wrong = describe_sources(config, state)
    computer, unwell = describe_computer(config, state, health)
    values = describe_values(config, state)
    charts, missing = describe_charts(config, copying)
    issues = sorted(
        [*wrong, *_no_fix(values), *unwell, *missing], key=lambda issue: _LEVELS.index(issue.level)
    )
    return {
        "format": FORMAT,
        "boat": clean(config.boat),
        "caution": CAUTION,
        "live": state is not None,
        "verdict": _verdict(config, links, issues, live=state is not None),
        "issues": [issue.as_json() for issue in issues],
        "steering": describe_steering(config, state),
        "values": values,
        "links": links,
        "tablets": _tablets(config, state),
        "computer": computer,
        "charts": charts,
        "connect": {
            "ssid": clean(config.ssid),
            "pass_phrase": config.pass_phrase,
            "address": config.feed_address,
            "port": config.feed_port,
            "page": f"http://{config.hosts[0]}/",
            "codes": sorted(config.codes),
        },
    }


def _no_fix(values: Sequence[Mapping[str, Any]]) -> list[Issue]:
    """Name a receiver that is heard and has no valid position."""
    action = "Look whether its aerial sees the sky. After a long time off it needs some minutes."
    return [
        Issue("notice", f"{value['source']} has no valid position.", action)
        for value in values
        if (value["key"], value["state"]) == ("position", "void")
    ]


def _verdict(
    config: PageConfig, links: Sequence[Mapping[str, Any]], issues: Sequence[Issue], *, live: bool
) -> dict[str, str]:
    if not live:
        action = "Wait ten seconds. If this stays, switch the boat's computer off and on."
        return _say("trouble", "The feed does not answer: nothing is heard.", action)
    unheard = [issue.about for issue in issues if issue.level == "trouble"]
    if len(unheard) > 1:
        expected = sum(1 for source in config.sources.values() if source.kind != "input")
        text = f"{len(unheard)} of {expected} instruments are not heard: {listed(unheard)}."
        return _say("trouble", text, "")
    if issues:
        return _say(issues[0].level, issues[0].text, issues[0].action)
    if waiting := [link["name"] for link in links if link["status"] == "waiting"]:
        return _say("ok", f"Waiting to hear {listed(waiting)}.", "")
    heard = sum(1 for link in links if link["status"] == "heard")
    if not heard:
        return _say("ok", "No instrument is expected to talk.", "")
    all_of = "The instrument is" if heard == 1 else f"All {heard} instruments are"
    return _say("ok", f"{all_of} heard.", "")


def _say(level: str, text: str, action: str) -> dict[str, str]:
    return {"level": level, "text": text, "action": action}


def _tablets(config: PageConfig, state: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """List the tablets of the profile, then other addresses that read the feed."""
    tcp = (state or {}).get("outputs", {}).get("tcp") or {}
    by_address: Mapping[str, int] = tcp.get("addresses", {})
    named = [
        {"name": clean(name), "connections": by_address.get(address, 0)}
        for name, address in config.tablets.items()
    ]
    known = set(config.tablets.values())
    others = [
        {"name": clean(address), "connections": count}
        for address, count in sorted(by_address.items())
        if address not in known
    ]
    return named + others
