# SPDX-License-Identifier: GPL-3.0-or-later
"""A profile of any content is read in bounded time: long lists are not compared pairwise."""

from __future__ import annotations

import gc
import re
import time
from collections.abc import Callable
from contextlib import suppress
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision import checks
from provision.errors import Location, UserError, UserErrors
from provision.profile import load
from provision.profile.schema.boat import MAX_ACCESS_KEYS
from provision.profile.schema.links import AdapterConfig
from provision.profile.yaml import tree
from provision.profile.yaml.tree import MAX_BYTES, MAX_DEPTH, MAX_ERRORS, MAX_KEY_CHARS, Node

FEW, TIMES = 400, 8

Profile = dict[str, Any]


def _host(number: int) -> str:
    return f"10.{number >> 16 & 255}.{number >> 8 & 255}.{number & 255}"


def _name(number: int) -> str:
    return f"a{number}"


def _formatter(number: int) -> str:
    return f"P{number:05d}"


def _talker(number: int) -> Profile:
    return {"adapter": {"serial": f"S{number}"}, "talks": ["RMC"]}


def _links(count: int) -> Profile:
    return {"links": {_name(n): _talker(n) for n in range(count)}}


def _one_adapter(count: int) -> Profile:
    return {"links": {_name(n): _talker(0) for n in range(count)}}


def _listeners(count: int) -> Profile:
    listen = {"listens": ["APB", "MWV"], "talks": []}
    inputs = {"wind-net": {"tcp": "10.47.1.9:10110", "talks": ["MWV"]}}
    return {"links": {_name(n): _talker(n) | listen for n in range(count)}, "inputs": inputs}


def _ports(count: int) -> Profile:
    ports = (f"1-{n % 99}.{n // 99 % 99}" for n in range(count))
    return {"links": {_name(n): {"adapter": {"port": p}} for n, p in enumerate(ports)}}


def _clashing_can(count: int) -> Profile:
    return {"links": {_name(n): {"can": "can0", "talks": ["depth"]} for n in range(count)}}


def _tablets(count: int) -> Profile:
    macs = (f"02:00:00:{n >> 16:02x}:{n >> 8 & 255:02x}:{n & 255:02x}" for n in range(count))
    return {"network": {"tablets": {_name(n): {"mac": mac} for n, mac in enumerate(macs)}}}


def _udp(count: int) -> Profile:
    return {"feed": {"udp": [_host(n + 1) for n in range(count)]}}


def _gives(count: int) -> Profile:
    hosts = [_host(n + 1) for n in range(count)]
    return {"feed": {"udp": hosts, "gives": {host: {"only": ["RMC"]} for host in hosts}}}


def _gives_nowhere(count: int) -> Profile:
    return {"feed": {"gives": {_host(n + 1): {"only": ["RMC"]} for n in range(count)}}}


def _inputs(count: int) -> Profile:
    return {
        "inputs": {_name(n): {"tcp": f"{_host(n + 1)}:1", "talks": ["RMC"]} for n in range(count)}
    }


def _accepted(count: int) -> Profile:
    return {"accepted": {f"x{n}": "so" for n in range(count)}}


def _talks(count: int) -> Profile:
    return {"links": {"gnss": _talker(1) | {"talks": [_formatter(n) for n in range(count)]}}}


def _wrong_talks(count: int) -> Profile:
    return {"links": {"gnss": _talker(1) | {"talks": [f"x{n}" for n in range(count)]}}}


def _patterns(count: int) -> Profile:
    passes = {"only": [_formatter(n) for n in range(count)], "but": [{"link": "nobody"}] * count}
    return {"links": {"gnss": _talker(1) | {"takes": passes}}}


def _listens_to(count: int) -> Profile:
    listener = {"listens": ["MWV"], "listens_to": [_name(n) for n in range(count)]}
    inputs = {_name(n): {"tcp": f"{_host(n + 1)}:1", "talks": ["MWV"]} for n in range(count)}
    return {"links": {"pilot": _talker(1) | listener}, "inputs": inputs}


def _prefer(count: int) -> Profile:
    names = [_name(n) for n in range(count)]
    return {
        "links": {name: _talker(n) for n, name in enumerate(names)},
        "feed": {"prefer": {"position": names}},
    }


def _clock(count: int) -> Profile:
    names = [_name(n) for n in range(count)]
    return {
        "links": {name: _talker(n) for n, name in enumerate(names)},
        "clock": {"from": names},
    }


def _steering(count: int) -> Profile:
    pilot = {"adapter": {"serial": "P"}, "listens": ["APB"]}
    talkers = {_name(n): _talker(n) | {"talks": ["APB"]} for n in range(count)}
    return {
        "links": {"pilot": pilot, **talkers},
        "steering": {"link": "pilot", "from": [*talkers], "sentences": ["APB"]},
    }


def _hubs(count: int) -> Profile:
    return {"usb": {"hubs": {_name(n): {"ports": 7, "own_supply": False} for n in range(count)}}}


def _unknown_keys(count: int) -> Profile:
    return {f"x{n}": 1 for n in range(count)}


def _null_links(count: int) -> Profile:
    return {"links": {"gnss": _talker(1), **{_name(n): None for n in range(count)}}}


LISTS: list[Callable[[int], Profile]] = [
    _links,
    _one_adapter,
    _listeners,
    _ports,
    _clashing_can,
    _tablets,
    _udp,
    _gives,
    _gives_nowhere,
    _inputs,
    _accepted,
    _talks,
    _wrong_talks,
    _patterns,
    _listens_to,
    _prefer,
    _clock,
    _steering,
    _hubs,
    _unknown_keys,
    _null_links,
]


def _profile(part: Profile) -> Profile:
    network = {
        "address": "10.47.1.1/16",
        "access_point": {"ssid": "Teal", "country": "GB"},
        **part.get("network", {}),
    }
    whole = {
        "boat": "teal",
        "board": "x86-64",
        "links": {"gnss": _talker(1)},
        "access": {"keys": ["operator.pub"]},
    }
    return {**whole, **part, "network": network}


def _node(value: Any, key: str = "") -> Node:
    """What the YAML of a value is read into; the parser itself takes one step a character."""
    place = Location(Path("teal.yml"), 1, 1, key)
    if isinstance(value, dict):
        inner = {name: _node(v, f"{key}.{name}".lstrip(".")) for name, v in value.items()}
        return Node(inner, place, place)
    if isinstance(value, list):
        return Node([_node(v, f"{key}[{n}]") for n, v in enumerate(value)], place, place)
    return Node(value, place, place, "null" if value is None else str(value))


def _seconds(monkeypatch: pytest.MonkeyPatch, file: Path, part: Profile) -> float:
    """Seconds of this process for reading and checking a profile."""
    root = _node(_profile(part))
    monkeypatch.setattr(load, "parse", lambda *_: root)
    gc.collect()
    start = time.process_time()
    with suppress(UserError):
        checks.check([load.read(file)])
    return time.process_time() - start


@pytest.mark.parametrize("part", LISTS)
def test_a_list_of_eight_times_the_length_takes_eight_times_as_long(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, part: Callable[[int], Profile]
) -> None:
    file = tmp_path / "teal.yml"
    file.touch()
    few = _seconds(monkeypatch, file, part(FEW))
    many = _seconds(monkeypatch, file, part(FEW * TIMES))
    # Compared pairwise it takes up to 64 times as long. What is below a tenth of a second is no
    # measure, and no harm.
    assert many < 0.1 or many < few * TIMES * 2


PLAIN = """\
boat: teal
board: x86-64
network: {address: 10.47.1.1/24, access_point: {ssid: Teal, country: GB}}
links: {gnss: {adapter: {serial: S}, talks: [RMC]}}
access: {keys: [operator.pub]}
"""


def errors_of(folder: Path, text: str, **others: str) -> list[UserError]:
    """What is wrong with a profile, beside other files."""
    for name, other in others.items():
        (folder / f"{name}.yml").write_text(other)
    (folder / "teal.yml").write_text(text)
    try:
        load.read(folder / "teal.yml")
    except UserErrors as several:
        return several.errors
    except UserError as error:
        return [error]
    return []


def test_a_profile_has_a_largest_size(tmp_path: Path) -> None:
    comment = "#" * (MAX_BYTES - len(PLAIN) - 1) + "\n"
    assert errors_of(tmp_path, PLAIN + comment) == []
    (error,) = errors_of(tmp_path, PLAIN + comment + "#")
    assert "is larger than 128 KiB" in str(error)


def test_so_has_a_profile_with_all_that_it_includes(tmp_path: Path) -> None:
    half = "#" * (MAX_BYTES // 2) + "\n"
    club = f"card: {{size: 32 GB}}\n{half}"
    assert errors_of(tmp_path, "includes: [a.yml]\n" + PLAIN, a=club) == []
    (error,) = errors_of(tmp_path, f"includes: [a.yml, b.yml]\n{PLAIN}", a=club, b=club)
    assert "with what it includes it is larger than 128 KiB" in str(error)
    assert error.location is not None
    assert error.location.file == tmp_path / "teal.yml"


def test_a_file_that_grows_while_it_is_read_is_read_no_further(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "teal.yml"
    with file.open("wb") as opened:
        opened.truncate(2**32)
    small = tmp_path / "small"
    small.touch()
    status = small.stat()
    monkeypatch.setattr(Path, "stat", lambda *_, **__: status)
    with pytest.raises(UserError, match="larger than 128 KiB"):
        tree.read_text(file)


def test_a_boat_includes_a_few_files(tmp_path: Path) -> None:
    club = "card: {size: 32 GB}\n"
    (error,) = errors_of(tmp_path, f"includes: [{'a.yml, ' * 33}]\n{PLAIN}", a=club)
    assert "a boat includes 32 files at most" in str(error)
    assert errors_of(tmp_path, f"includes: [{'a.yml, ' * 32}]\n{PLAIN}", a=club) == []


def test_long_keys_are_not_carried_by_all_below_them(tmp_path: Path) -> None:
    (error,) = errors_of(tmp_path, f"{PLAIN}{'x' * (MAX_KEY_CHARS + 1)}: [{'1,' * 20_000}]\n")
    assert "a key is too long" in str(error)


@pytest.mark.parametrize(("opens", "closes"), [("[", "]"), ("{a: ", "}")])
def test_nesting_ends(tmp_path: Path, opens: str, closes: str) -> None:
    deep = MAX_DEPTH + 1
    errors = errors_of(tmp_path, f"{PLAIN}accepted: {opens * deep}1{closes * deep}\n")
    assert "nested too deep" in str(errors)


def test_a_hundred_errors_are_told_and_that_there_are_more(tmp_path: Path) -> None:
    text = PLAIN + "".join(f"x{n}: 1\n" for n in range(5000))
    *told, last = errors_of(tmp_path, text)
    assert len(told) == MAX_ERRORS
    assert "there are more errors" in str(last)


def test_a_boat_lets_in_a_hundred_keys(tmp_path: Path) -> None:
    many = ", ".join(["operator.pub"] * (MAX_ACCESS_KEYS + 1))
    (error,) = errors_of(tmp_path, PLAIN.replace("operator.pub", many))
    assert "has 101 entries" in str(error)
    assert "100 at most" in error.hint


def _share(one: AdapterConfig, two: AdapterConfig) -> bool:
    """Whether two links must be on one socket of one chip, told from the pair alone."""
    same = (one.serial, one.port) == (two.serial, two.port)
    if same and (None in (one.interface, two.interface) or one.interface == two.interface):
        return True
    ports = (one.port or "", two.port or "")
    return all(ports) and any(
        inner.startswith(f"{outer}.") for inner, outer in (ports, ports[::-1])
    )


ADAPTERS = st.builds(
    lambda way, which, interface: AdapterConfig(**{way: which[way], "interface": interface}),
    st.sampled_from(["serial", "port"]),
    st.fixed_dictionaries(
        {
            "serial": st.sampled_from("ABC"),
            "port": st.sampled_from(["1-1", "1-1.2", "1-1.2.3", "1-2", "1-12", "1-1.20"]),
        }
    ),
    st.sampled_from([None, 0, 1]),
)


@given(st.lists(ADAPTERS, min_size=2, max_size=6))
def test_shared_adapters_are_those_that_a_comparison_of_all_pairs_finds(
    tmp_path_factory: pytest.TempPathFactory, adapters: list[AdapterConfig]
) -> None:
    names = [_name(number) for number in range(len(adapters))]
    links = ", ".join(
        f"{name}: {{adapter: {adapter.model_dump_json(exclude_none=True)}, talks: [RMC]}}"
        for name, adapter in zip(names, adapters, strict=True)
    )
    text = re.sub("(?m)^links: .*$", f"links: {{{links}}}", PLAIN)
    said = [str(e) for e in errors_of(tmp_path_factory.getbasetemp(), text)]
    pairs = [
        (first, second)
        for (first, one), (second, two) in combinations(zip(names, adapters, strict=True), 2)
        if _share(one, two)
    ]
    found = [tuple(re.findall(r"the links (a\d) and (a\d)", text)[0]) for text in said]
    assert set(found) <= set(pairs)
    assert {second for _, second in found} == {second for _, second in pairs}
    assert len(found) == len({second for _, second in pairs})
