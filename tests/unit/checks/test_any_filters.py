# SPDX-License-Identifier: GPL-3.0-or-later
"""`check` has an answer for all filters, preferences and ways on the network."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, reject, settings
from hypothesis import strategies as st

from provision import boards, checks
from provision.errors import UserError
from provision.profile import load

LINKS, INPUTS = ("a", "b", "c", "d"), ("net", "mast", "guests", "group")
FORMATTERS = ("RMC", "ZDA", "GGA", "HDG", "MWV", "VDM", "VDO", "APB", "RMB", "PXYZ1", "XDR")
KINDS = ("position", "heading", "wind", "time", "ais")
HOSTS = ("10.47.9.60", "10.47.9.61:10111", "10.47.9.150", "192.0.2.7")
#: What has its figures and findings calculated separately.
BOTH = ("no-date", "log-days", "card-endurance", "ais-")

Drawn = st.SearchStrategy[Any]


def some(**keys: Drawn) -> Drawn:
    """Return a mapping with any of the keys."""
    return st.fixed_dictionaries({}, optional=keys)


def several(values: tuple[str, ...], least: int = 0) -> Drawn:
    return st.lists(st.sampled_from(values), min_size=least, max_size=4, unique=True)


rates = st.sampled_from([0.001, 0.5, 1.0, 10.0, 62.0, 75.0, 100.0])
sentences = several(FORMATTERS) | st.dictionaries(st.sampled_from(FORMATTERS), rates, max_size=4)
pattern = st.sampled_from(FORMATTERS) | some(
    talker=st.sampled_from(["GP", "AI", "P"]),
    formatter=st.sampled_from(FORMATTERS),
    link=st.sampled_from(LINKS),
).filter(bool)
takes = some(
    only=st.lists(st.sampled_from(FORMATTERS), min_size=1, max_size=3),
    but=st.lists(st.sampled_from(FORMATTERS), min_size=1, max_size=3),
).filter(bool)
gives = some(
    only=st.lists(pattern, min_size=1, max_size=3), but=st.lists(pattern, min_size=1, max_size=3)
).filter(bool)
serial_link = some(
    baud=st.sampled_from([4800, 38400, 115200]),
    listens=sentences,
    listens_to=several(INPUTS, 1),
    takes=takes,
    gives=gives,
).flatmap(lambda link: sentences.map(lambda talks: {**link, "talks": talks}))
network_link = some(takes=takes).flatmap(
    lambda link: several(KINDS, 1).map(lambda talks: {**link, "talks": talks, "can": "can0"})
)
way = st.sampled_from(
    [
        {"tcp": "10.47.9.60:10110"},
        {"tcp": "192.0.2.7:10110"},
        {"listen": 10112},
        {"udp": 10110},
        {"udp": 10113},
        {"multicast": ["NAVD"]},
    ]
)
source = way.flatmap(lambda by: some(talks=sentences, takes=takes).map(lambda rest: {**by, **rest}))
feed = some(
    udp=st.none() | st.just(10110) | several(HOSTS, 1),
    multicast=st.booleans(),
    gives=st.dictionaries(st.sampled_from(["tcp", "udp", "multicast"]), gives, max_size=2),
    prefer=some(position=several(LINKS + INPUTS, 1), heading=several(LINKS, 1)).filter(bool),
)
steering = st.fixed_dictionaries(
    {
        "link": st.sampled_from(LINKS),
        "from": several(("chart-table", "mate", *LINKS), 1),
        "sentences": several(("APB", "RMB", "PXYZ1"), 1),
    }
)
size = st.sampled_from(["0 GB", "1 GB", "8 GB", "16 GB", "1 TB", "999999 TB"])
profile = st.fixed_dictionaries(
    {
        "board": st.sampled_from(boards.names()),
        "links": st.dictionaries(
            st.sampled_from(LINKS), st.one_of(serial_link, network_link), min_size=1
        ),
        "wired": st.sampled_from(["boat", "shore"]),
    },
    optional={
        "card": some(size=size, endurance=size),
        "inputs": st.dictionaries(st.sampled_from(INPUTS), source),
        "feed": feed,
        "steering": steering,
        "clock": several(LINKS, 1).map(lambda names: {"from": names}),
        "log": some(
            keep=st.sampled_from(["1 day", "10000 days"]),
            cap=st.sampled_from(["10 MB", "2 GB", "999999 TB"]),
        ),
    },
)


def add(sentences: Any, name: str) -> Any:
    """Return the sentences with one more."""
    return {
        **(sentences if isinstance(sentences, dict) else dict.fromkeys(sentences, 1.0)),
        name: 1,
    }


def repair(drawn: dict[str, Any]) -> None:
    """Most profiles name what is not there. Give them what they name, or take the name out."""
    links, inputs = drawn["links"], drawn.get("inputs", {})
    for link in links.values():
        if "can" in link:
            continue
        if not link["talks"]:
            link["talks"] = ["HDG"]
        if "listens_to" in link and (heard := [one for one in link["listens_to"] if one in inputs]):
            link |= {"listens_to": heard, "listens": add(link.get("listens", []), "MWV")}
            for name in heard:
                inputs[name]["talks"] = add(inputs[name].get("talks", []), "MWV")
        else:
            link.pop("listens_to", None)
        if not link.get("listens"):
            link.pop("gives", None)
    repair_names(drawn, [name for name, link in links.items() if "can" not in link])


def repair_names(drawn: dict[str, Any], serial: list[str]) -> None:
    """Let clock, steering and prefer name what is there. `serial` are the serial links."""
    links, inputs = drawn["links"], drawn.get("inputs", {})
    if "clock" in drawn:
        drawn["clock"]["from"] = serial
        for name in serial:
            links[name]["talks"] = add(links[name]["talks"], "RMC")
    if not serial:
        drawn.pop("clock", None)
        drawn.pop("steering", None)
    if steering := drawn.get("steering"):
        pilot = steering["link"] = serial[0]
        for formatter in steering["sentences"]:
            for name in serial:
                links[name]["talks"] = add(links[name]["talks"], formatter)
            links[pilot]["listens"] = add(links[pilot].get("listens", []), formatter)
        there = {"chart-table", "mate", *serial[1:]}
        steering["from"] = [one for one in steering["from"] if one in there] or ["mate"]
    prefer, there = drawn.get("feed", {}).get("prefer", {}), {*links, *inputs}
    for kind, order in prefer.items():
        prefer[kind] = [one for one in order if one in there] or [*links]


def file_content(drawn: dict[str, Any]) -> dict[str, Any]:
    """Return the drawn keys and the others that a profile needs."""
    repair(drawn)
    wired = drawn.pop("wired")
    for name, link in drawn["links"].items():
        if "can" in link:
            link["can"] = f"can{LINKS.index(name)}"
        else:
            link["adapter"] = {"serial": name}
    tablets = {
        "chart-table": {"mac": "02:00:00:12:34:56", "own_pass_phrase": True},
        "mate": {"mac": "02:00:00:12:34:57"},
    }
    network = {
        "address": "10.47.9.1/24",
        "wired": wired,
        "access_point": {"ssid": "Tern", "country": "GB"},
        "tablets": tablets,
    }
    return {"boat": "tern", "network": network, "access": {"keys": ["o.pub"]}, **drawn}


@settings(suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow], deadline=None)
@given(profile)
def test_any_filters_are_checked(tmp_path_factory: Any, drawn: dict[str, Any]) -> None:
    file: Path = tmp_path_factory.getbasetemp() / "tern.yml"
    file.write_text(json.dumps(file_content(drawn)))
    try:
        boat = load.read(file)
    except UserError:
        reject()
    findings, figures = checks.check([boat]), checks.calculate([boat])
    assert all(finding.hint and finding.message for finding in findings)
    assert all(figure.source or figure.value is None for figure in figures)
    warned = {one.check for one in findings if one.check.startswith(BOTH)}
    judged = {one.subject for one in figures if one.verdict in ("warning", "error")}
    assert warned == {subject for subject in judged if subject.startswith(BOTH)}
