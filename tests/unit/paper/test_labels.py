# SPDX-License-Identifier: GPL-3.0-or-later
"""Labels name what they stick to, on paper and in their codes."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from provision.paper import Paper, labels, make_labels
from provision.paper.drawing import RULER_MM, draw_ruler
from tests.support.paper_rig import make_changes
from tests.support.render_rig import BOATS, SECRETS, boat, profile


def collect(**changes: Any) -> labels.BoatLabels:
    return labels._collect(profile(**changes))


def test_computer_hubs_and_adapters_have_a_label_and_cables_a_flag() -> None:
    made = collect(**make_changes(13))
    names = [label.name for label in made.labels]
    assert names[:2] == ["kittiwake", "hub main"]
    # Twelve serial links, two of them on one chip.
    assert len(names) == 2 + 11 and "instrument-8 and instrument-9" in names
    assert [flag.name for flag in made.flags] == [
        *(f"instrument-{number}" for number in range(1, 13)),
        "backbone",
    ]


def test_a_code_says_without_a_network_what_it_sticks_to() -> None:
    texts = {label.name: label.text for label in collect(**make_changes(12)).labels}
    assert texts["instrument-4"] == (
        "kittiwake: KW-LINK-04\nany USB socket\ninstrument-4 38400 baud"
    )
    assert texts["instrument-7"] == (
        "kittiwake: socket 1-1.4.2\nstays in USB socket 1-1.4.2\ninstrument-7 4800 baud"
    )
    assert texts["instrument-8 and instrument-9"] == (
        "kittiwake: KW-TWIN-08\nany USB socket\n1 instrument-8 4800 baud\n2 instrument-9 4800 baud"
    )
    assert texts["hub main"] == "kittiwake: hub main\n7 USB sockets, its own supply"


def test_the_computers_code_opens_the_page_where_there_is_one() -> None:
    assert collect(page=True).labels[0].text == "http://10.47.1.1/"
    assert collect().labels[0].text == "kittiwake computer 10.47.1.1"


def test_flags_say_speed_line_and_socket() -> None:
    flags = {flag.name: flag for flag in collect(**make_changes(12)).flags}
    assert flags["instrument-9"] == labels.Flag("instrument-9", "KW-TWIN-08, line 2", "4800 baud")
    assert flags["backbone"] == labels.Flag("backbone", "NMEA 2000", "into can0")


@pytest.mark.parametrize("name", BOATS)
def test_no_secret_stands_on_labels(tmp_path: Path, name: str) -> None:
    pages = make_labels([boat(tmp_path, **BOATS[name])], Paper.A4)
    assert not pages.private
    for secret in (SECRETS.pass_phrase, *SECRETS.own_pass_phrases.values(), "02:00:00"):
        assert secret not in pages.html


def test_a_long_name_makes_no_code_that_is_too_fine() -> None:
    serial = "S" * 126
    made = collect(
        boat="b" * 63, links={"l" * 31: {"adapter": {"serial": serial}, "talks": ["RMC"]}}
    )
    label = made.labels[-1]
    (modules,) = re.findall(r'viewBox="0 0 (\d+) ', label.code)
    # 15 mm over 61 squares, its margin included: 3 dots each on a printer of 300 dpi.
    assert int(modules) <= 61
    assert len(made.flags[0].adapter) <= 40


def test_the_ruler_is_100_mm_of_its_box() -> None:
    drawn = draw_ruler()
    assert f'viewBox="0 0 {RULER_MM + 4} 7"' in drawn
    assert RULER_MM == 100 and "M2 0v3.4" in drawn and "M102 0v3.4" in drawn
    css = (Path(labels.__file__).parent / "templates" / "labels.css").read_text()
    assert "width: 104mm; height: 7mm" in css
    assert {"width: 60mm", "height: 18mm", "height: 11mm", "width: 15mm; height: 15mm"} <= set(
        re.findall(r"width: 60mm|height: 1[18]mm|width: 15mm; height: 15mm", css)
    )
