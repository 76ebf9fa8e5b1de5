# SPDX-License-Identifier: GPL-3.0-or-later
"""`check` and its sums come to an end for any valid profile."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from provision import boards, checks
from provision.checks.figure import format_figures
from provision.profile.load import Boat
from provision.profile.schema.boat import Profile
from provision.profile.yaml import references, uniqueness


def number(least: float, most: float) -> st.SearchStrategy[float]:
    return st.floats(least, most) | st.sampled_from([least, most])


def some(**parts: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({}, optional=parts)


names = st.sampled_from(["a", "b", "c", "pilot"])
sentences = st.dictionaries(
    st.sampled_from(["RMC", "HDG", "APB", "VDM", "ZDA", "PXYZ"]), number(0.001, 100), max_size=4
)
adapters = st.fixed_dictionaries(
    {"serial": st.sampled_from(["0001", "0", "S1", "S2", "S3", "S4", "S5", "S6"])},
    optional={
        "receives_only": st.booleans(),
        "milliamps": st.integers(1, 5000),
        "interface": st.integers(0, 15),
    },
)
serial_links = st.fixed_dictionaries(
    {"adapter": adapters, "talks": sentences, "listens": sentences},
    optional={"baud": st.sampled_from([4800, 38400, 115200])},
).filter(lambda link: link["talks"] or link["listens"])
can_links = st.fixed_dictionaries(
    {
        "can": st.sampled_from(["can0", "can1"]),
        "talks": st.lists(st.sampled_from(["position", "heading", "ais"]), min_size=1, unique=True),
    }
)
links = st.dictionaries(names, serial_links | can_links, min_size=1)
inputs = st.dictionaries(
    st.sampled_from(["net", "net-2"]),
    st.fixed_dictionaries(
        {"talks": sentences, "udp": st.integers(1, 65535)},
        optional={"unchecked": st.booleans()},
    ),
)
orders = st.lists(names | st.just("net"), min_size=1, max_size=2, unique=True)
feeds = some(
    prefer=st.fixed_dictionaries({"position": orders}, optional={"heading": orders}),
    multicast=st.booleans(),
)
steering = st.fixed_dictionaries(
    {"link": st.just("pilot"), "from": orders, "sentences": st.just(["APB"])}
)
hubs = st.dictionaries(
    names,
    st.fixed_dictionaries({"ports": st.integers(2, 16), "own_supply": st.booleans()}),
)
devices = st.dictionaries(names, some(milliamps=st.integers(1, 5000), own_supply=st.booleans()))
cables = st.fixed_dictionaries(
    {"metres": number(0.05, 100), "mm2": number(0.05, 150) | st.sampled_from([0.75, 1.5])},
    optional={"celsius": number(-40, 100), "insulation": st.sampled_from([70, 105])},
)
supplies = st.fixed_dictionaries(
    {"volts": st.sampled_from([12, 24])},
    optional={
        "watts": number(0.1, 1000),
        "peak_watts": number(0.1, 1000),
        "lowest_volts": number(1, 60),
        "converter": st.fixed_dictionaries(
            {"efficiency": number(0.3, 1)},
            optional={"volts": number(1, 60), "amps": number(0.1, 500)},
        ),
        "cable": cables,
        "lead": cables,
        "battery": st.fixed_dictionaries(
            {"ah": number(1, 10000)}, optional={"usable": number(0.05, 1)}
        ),
        "fuse": st.fixed_dictionaries({"amps": number(0.1, 500)}),
    },
)
profiles = st.fixed_dictionaries(
    {"board": st.sampled_from(boards.names()), "links": links},
    optional={
        "inputs": inputs,
        "feed": feeds,
        "steering": steering,
        "clock": st.fixed_dictionaries({"from": orders}),
        "usb": some(hubs=hubs, devices=devices),
        "supply": supplies,
        "card": some(size=st.sampled_from(["1 GB", "16 GB", "2 TB"])),
        "log": some(cap=st.sampled_from(["10 MB", "2 GB", "9 TB"])),
    },
)


def drop_unknown(parts: dict[str, Any]) -> dict[str, Any]:
    """Leave out what refers to links or inputs that the profile has not."""
    known = {*parts["links"], *parts.get("inputs", {})}
    left = dict(parts)
    for key in ("steering", "clock"):
        if key in left and not {left[key].get("link"), *left[key]["from"]} - {None} <= known:
            del left[key]
    if any(not {*order} <= known for order in left.get("feed", {}).get("prefer", {}).values()):
        del left["feed"]
    return left


def read(parts: dict[str, Any]) -> Boat | None:
    network = {
        "address": "10.47.9.1/24",
        "access_point": {"ssid": "Tern", "country": "GB", "channel": 6},
    }
    known = {"boat": "tern", "network": network, "access": {"keys": ["operator.pub"]}}
    try:
        tern = Boat(
            Profile.model_validate(known | drop_unknown(parts)), Path("/nowhere/tern.yml"), {}
        )
    except ValidationError:
        return None
    clashes = uniqueness.find_duplicates(tern.profile, tern.location)
    return None if clashes or references.find_broken(tern.profile, tern.location) else tern


@given(profiles)
def test_any_valid_profile_is_checked(parts: dict[str, Any]) -> None:
    tern = read(parts)
    if tern is None:
        return
    findings, figures = checks.check([tern]), checks.calculate([tern])
    assert all(finding.hint for finding in findings)
    for figure in figures:
        assert (figure.value is None) == (figure.verdict == "unknown")
        assert figure.value is None or math.isfinite(figure.value)
        assert figure.limit is None or math.isfinite(figure.limit)
        assert figure.verdict == "fine" or figure.help
    assert list(format_figures(figures))


def test_enough_of_those_profiles_are_valid() -> None:
    tried: list[bool] = []

    @given(profiles)
    def count(parts: dict[str, Any]) -> None:
        tried.append(read(parts) is not None)

    count()
    assert sum(tried) > len(tried) / 5
