# SPDX-License-Identifier: GPL-3.0-or-later
"""Whatever form a profile has: all outside links stays byte for byte, and the result loads."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from provision import paths
from provision.errors import UserError
from provision.profile import load
from provision.profile.scaffold import create_club
from provision.profile.yaml.tree import read_text
from provision.survey.report import PortReport
from tests.unit.survey.draft.made import adapter, heard, into, survey, yes

FORMATTERS = ["RMC", "GGA", "VTG", "GSV", "DPT", "MWV", "HDG", "VHW", "MTW"]
BAUDS = [1200, 4800, 9600, 38400]
COMMENTS = ["", "  # of 1998: {old}", " # 'x' \"y\"", "    # é, \N{SAILBOAT}", "   "]

comments = st.sampled_from(COMMENTS)
sentences = st.lists(st.sampled_from(FORMATTERS), min_size=1, max_size=4, unique=True)


@dataclass(frozen=True)
class Link:
    """A link in one of the forms that a person may write."""

    number: int
    talks: list[str]
    baud: int
    form: int
    comment: str

    @property
    def serial(self) -> str:
        return f"S-{self.number}"

    def lines(self) -> list[str]:
        name, listed = f"link-{self.number}", ", ".join(self.talks)
        rates = ", ".join(f"{one}: 1" for one in self.talks)
        match self.form:
            case 0:
                return [
                    f"{name}: {{adapter: {{serial: {self.serial}}}, baud: {self.baud}, "
                    f"talks: [{listed}]}}{self.comment}"
                ]
            case 1:
                return [
                    f"{name}:    {{{self.comment}",
                    f'    adapter: {{ "serial" : "{self.serial}" }},{self.comment}',
                    f"    talks: {{ {rates} , }} }}",
                ]
            case 2:
                return [
                    f"{name}:{self.comment}",
                    f"  baud: {self.baud}{self.comment}",
                    f"  # about {name}",
                    "  adapter:",
                    f"    serial: '{self.serial}'{self.comment}",
                    "  talks:",
                    *(f"    - {one}{self.comment}" for one in self.talks),
                ]
            case _:
                return [
                    f"'{name}': &a{self.number}",
                    "   talks:",
                    *(f"     {one}: 1{self.comment}" for one in self.talks),
                    f"   adapter: {{serial: {self.serial}}}{self.comment}",
                ]


def _flow(made: list[Link]) -> list[str]:
    """Write the links in braces, each in the form that it has on one line."""
    lines = [Link(one.number, one.talks, one.baud, 0, "").lines()[0] for one in made]
    ends = [f",{one.comment}" for one in made]
    return ["links: {", *(f"  {line}{end}" for line, end in zip(lines, ends, strict=True)), "  }"]


links = st.builds(Link, st.just(0), sentences, st.sampled_from(BAUDS), st.integers(0, 3), comments)


@st.composite
def profiles(draw: st.DrawFn) -> tuple[str, str, str, list[Link]]:
    """A profile's text before, in and after its links, and the links."""
    made = draw(st.lists(links, min_size=1, max_size=4))
    made = [Link(n, one.talks, one.baud, one.form, one.comment) for n, one in enumerate(made)]
    newline = draw(st.sampled_from(["\n", "\r\n"]))
    parts = [
        ["boat: tern" + draw(comments)],
        ["includes: [ club.yml , ]"],
        ["board:   'x86-64'" if draw(st.booleans()) else ""],
        [
            *("# the network", "network:", "    address: 10.47.9.1/24   # é"),
            *("    access_point: {ssid: \"Tern: 'x'\", country: GB,", "      channel: 11}"),
        ],
        ["", "feed: {prefer: {silence: 5 s, position: [link-0]}}" if draw(st.booleans()) else ""],
        ["accepted:", "  a.b: >", "    long", "    text", "  c: 'it''s'"],
        ["usb: {hubs: {h: {ports: 16, own_supply: true}}}"],
    ]
    parts = draw(st.permutations(parts))
    at = draw(st.integers(0, len(parts)))
    step = draw(st.sampled_from([1, 2, 3]))
    body = _flow(made) if draw(st.booleans()) else ["links:" + draw(comments)]
    for link in made if len(body) == 1 else ():
        body += [" " * step + line for line in link.lines()]
        body += draw(st.sampled_from([[], [" " * step + "# a note"], ["# at the left"], [""]]))
    texts = [
        "".join(line + newline for part in some for line in part)
        for some in (parts[:at], [body], parts[at:])
    ]
    if draw(st.booleans()) and at < len(parts):
        texts[2] = texts[2].removesuffix(newline)
    return texts[0], texts[1], texts[2], made


@st.composite
def reports(draw: st.DrawFn, made: list[Link]) -> list[PortReport]:
    found = []
    for link in made:
        port = f"1-1.{link.number + 1}"
        what = draw(st.sampled_from(["none", "same", "other", "new"]))
        said = {*link.talks, *(draw(sentences) if what != "same" else [])}
        rate = draw(st.sampled_from(["", "=3", "=once"]))
        serial = "NEW-" * (what == "new") + link.serial
        if what != "none":
            words = " ".join(f"II{one}{rate}" for one in sorted(said))
            found.append(heard(adapter(serial, port), words, draw(st.sampled_from(BAUDS))))
    if draw(st.booleans()):
        found.append(heard(adapter("", "1-1.9"), "AIVDM=0.5", 38400))
    return found


@given(st.data())
@settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_all_outside_links_stays_and_the_result_loads(tmp_path: Path, data: st.DataObject) -> None:
    before, body, after, made = data.draw(profiles())
    file = tmp_path / "tern.yml"
    (tmp_path / "club.yml").write_text("access: {keys: [operator.pub]}\nboard: x86-64\n")
    file.write_bytes((before + body + after).encode())
    boat = load.read(file)
    found = survey(*data.draw(reports(made)))
    try:
        change = into(file, found, yes)
    except UserError as error:
        # What came at a lower baud rate has no room there.
        assert "more than" in str(error)
        return
    text = change.text
    assert text.startswith(before)
    assert text.endswith(after)
    inside = text[len(before) : len(text) - len(after)]
    assert ("\r\n" in body) == ("\r\n" in inside)
    assert "\r" not in inside.replace("\r\n", "") or "\r\n" not in body
    _keeps_lines(body, inside, change.changes)
    changed = load.read(file, text).profile
    assert changed.model_dump(exclude={"links"}) == boat.profile.model_dump(exclude={"links"})
    for name, link in boat.profile.serial_links.items():
        assert {*link.talks} <= {*changed.serial_links[name].talks}


def _keeps_lines(body: str, inside: str, changes: object) -> None:
    """Every comment is still there, in its order; without a change, every line is."""
    if not changes:
        assert inside == body
    ended = re.compile(r"[ \t]+#[^\r\n]*|^#[^\r\n]*", re.M)
    kept = iter(ended.findall(inside))
    assert all(any(comment == other for other in kept) for comment in ended.findall(body))


@pytest.mark.parametrize("name", ["dunlin", "kittiwake", "turnstone"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_the_clubs_boats(tmp_path: Path, name: str, mark: bytes, newline: str) -> None:
    """Each link's baud rate is corrected, and corrected back: the text is what it was."""
    create_club(tmp_path / "boats")
    file = tmp_path / f"boats/{name}.yml"
    file.write_bytes(mark + file.read_text().replace("\n", newline).encode())
    text = read_text(file)
    links = load.read(file).profile.serial_links
    for baud in (38400, None):
        found = [
            heard(
                adapter(link.adapter.serial or "", link.adapter.port or f"1-2.{number}"),
                " ".join(f"II{name}={rate}" for name, rate in link.talks.items()),
                baud or link.baud,
            )
            for number, link in enumerate(links.values(), 1)
        ]
        changed = into(file, survey(*found, aboard=True)).text
        assert changed.count("baud: 38400") == (len(links) if baud else text.count("baud: 38400"))
        file.write_bytes(mark + changed.encode())
    assert changed == text


def test_every_boat_that_ships_is_in_these_tests() -> None:
    shipped = {file.stem for file in load.list_profiles(paths.shipped("boats"))}
    assert shipped == {"dunlin", "kittiwake", "turnstone"}
