# SPDX-License-Identifier: GPL-3.0-or-later
"""A profile of any content is read in bounded time and space."""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.errors import UserError, UserErrors
from provision.profile import load
from provision.profile.schema.boat import MAX_ACCESS_KEYS
from provision.profile.schema.links import AdapterConfig
from provision.profile.yaml import tree
from provision.profile.yaml.tree import MAX_BYTES, MAX_DEPTH, MAX_ERRORS, MAX_KEY_CHARS

PLAIN = """\
boat: teal
board: x86-64
network: {address: 10.47.1.1/24, access_point: {ssid: Teal, country: GB}}
links: {gnss: {adapter: {serial: S}, talks: [RMC]}}
access: {keys: [operator.pub]}
"""


def errors_of(folder: Path, text: str, **others: str) -> list[UserError]:
    """Return what is wrong with a profile, beside other files."""
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


def test_a_hundred_errors_are_reported_and_that_there_are_more(tmp_path: Path) -> None:
    text = PLAIN + "".join(f"x{n}: 1\n" for n in range(5000))
    *told, last = errors_of(tmp_path, text)
    assert len(told) == MAX_ERRORS
    assert "there are more errors" in str(last)


def test_a_boat_lets_in_a_hundred_keys(tmp_path: Path) -> None:
    many = ", ".join(["operator.pub"] * (MAX_ACCESS_KEYS + 1))
    (error,) = errors_of(tmp_path, PLAIN.replace("operator.pub", many))
    assert "has 101 entries" in str(error)
    assert "100 at most" in error.hint


def _name(number: int) -> str:
    return f"a{number}"


def _share(one: AdapterConfig, two: AdapterConfig) -> bool:
    """Report whether two links must be on one socket of one chip, told from the pair alone."""
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
