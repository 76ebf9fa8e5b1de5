# SPDX-License-Identifier: GPL-3.0-or-later
"""A sheet says what is true of its boat, shows any name harmlessly, and no secret but one."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path
from typing import Any

import pytest

from provision.paper import Pages, Paper, make_sheets
from provision.paper.pages import show_name
from provision.profile.secrets.store import derive_psk
from tests.support.paper_rig import make_changes, make_links
from tests.support.render_rig import BOATS, SECRETS, boat

PASS_PHRASE = SECRETS.pass_phrase


def make(folder: Path, pass_phrase: str | None = PASS_PHRASE, **changes: Any) -> Pages:
    return make_sheets([(boat(folder, **changes), pass_phrase)], Paper.A4)


def words(pages: Pages) -> str:
    """Return what is read on the pages, in one line and with plain apostrophes."""
    body = re.sub("</(td|p|li|dt|dd)>", " ", pages.html.partition("<body>")[2])
    read = unescape(re.sub(r"<[^>]*>", "", body)).replace("\u2019", "'")
    return " ".join(read.split())


@pytest.mark.parametrize("name", BOATS)
def test_every_boat_has_a_sheet_in_four_parts(tmp_path: Path, name: str) -> None:
    html = make(tmp_path, **BOATS[name]).html
    assert re.findall(r"<h2><span>(\d)</span>", html) == ["1", "2", "3", "4"]
    assert "Not a primary means of navigation" in html


def test_only_the_wi_fis_pass_phrase_of_all_secrets_stands_on_it(tmp_path: Path) -> None:
    tablets = {
        "chart-table": {"mac": "02:00:00:12:34:56", "own_pass_phrase": True},
        "mast": {"mac": "02:00:00:12:34:57", "own_pass_phrase": True},
    }
    pages = make(tmp_path, network={"tablets": tablets})
    assert PASS_PHRASE in words(pages) and pages.private
    assert "chart-table, mast join by their own pass-phrases" in words(pages)
    for secret in (
        *SECRETS.own_pass_phrases.values(),
        *SECRETS.host_key.split(),
        derive_psk(PASS_PHRASE, "Kittiwake"),
        "02:00:00:12:34",
    ):
        assert secret not in pages.html


def test_without_the_pass_phrase_neither_it_nor_its_code_stands_there(tmp_path: Path) -> None:
    shown, hidden = make(tmp_path, page=True), make(tmp_path, None, page=True)
    assert PASS_PHRASE not in hidden.html and not hidden.private
    assert "keep it aboard" in words(shown) and "keep it aboard" not in words(hidden)
    codes = [len(re.findall("<svg [^>]*viewBox=.0 0 (?!40)", one.html)) for one in (shown, hidden)]
    assert codes == [2, 1]


def test_the_same_boat_gives_the_same_bytes(tmp_path: Path) -> None:
    changes = make_changes(12)
    assert make(tmp_path, **changes) == make(tmp_path, **changes)


def test_nothing_is_fetched_from_elsewhere(tmp_path: Path) -> None:
    html = make(tmp_path, **make_changes(12)).html
    assert not re.search(r"<(script|link|img|iframe)|url\(|@import|\bsrc=|\bhref=", html)


def test_black_and_white_alone(tmp_path: Path) -> None:
    html = make(tmp_path, **make_changes(12)).html
    assert set(re.findall(r"(?<!&)#[0-9a-f]{3,8}\b", html)) == {"#000", "#fff"}


SSIDS = [
    "<script>alert(1)</script>",
    "</style><b>&amp;",
    "{{ sheet.pass_phrase }}",
    "\u202egnp.exe",
    "קיטיוויק \u2067",
    "x" * 32,
]


@pytest.mark.parametrize("ssid", SSIDS)
def test_a_hostile_name_is_shown_and_does_nothing(tmp_path: Path, ssid: str) -> None:
    network = {"access_point": {"ssid": ssid, "country": "GB"}}
    html = make(tmp_path, "another secret", network=network).html
    tags = re.findall(r"</?([a-z0-9]+)", html)
    assert sorted(tags) == sorted(
        re.findall(r"</?([a-z0-9]+)", make(tmp_path, "another secret").html)
    )
    assert not re.search("[\u202a-\u202e\u2066-\u2069\u200e\u200f]", html)
    assert html.count("another secret") == 1
    visible = re.sub("[\u202e\u2067]", "", ssid)
    shown = re.findall(r'<p class="name"><bdi>(.*?)</bdi></p>', html)
    assert [unescape(one) for one in shown] == [visible]


def test_a_name_is_its_own_run_of_text_and_not_endless() -> None:
    assert show_name("a\u202eb\x07c<i>") == "<bdi>abc&lt;i&gt;</bdi>"
    assert len(show_name("x" * 999)) == len("<bdi></bdi>") + 40


def test_who_may_steer_is_said_of_each_pilot(tmp_path: Path) -> None:
    assert "steers as it should not" not in words(make(tmp_path))
    nobody = words(make(tmp_path, links=make_links(5)))
    assert "This computer passes no steering on to it." in nobody
    named = words(make(tmp_path, **BOATS["busy"]))
    assert "This computer passes steering on to it from chart-table or plotter alone." in named
    links = make_links(5) | {"plotter": {"adapter": {"serial": "P"}, "talks": ["APB"]}}
    wired = words(make(tmp_path, links=links))
    assert "This computer passes steering on to it from plotter alone." in wired


def test_the_page_is_named_where_there_is_one(tmp_path: Path) -> None:
    assert "http://" not in words(make(tmp_path))
    assert words(make(tmp_path, page=True)).count("http://10.47.1.1/") == 2


def test_feed_and_page_stand_there_by_address_and_port(tmp_path: Path) -> None:
    said = words(make(tmp_path, feed={"tcp": 20220}))
    assert "TCP 10.47.1.1 port 20220" in said and "10110" not in said


def test_no_internet_is_right(tmp_path: Path) -> None:
    assert words(make(tmp_path)).count("“No internet” is right: stay connected.") == 2


def test_the_wired_port_is_named_only_where_it_leads_to_the_boats_network(tmp_path: Path) -> None:
    assert "wired port" in words(make(tmp_path))
    assert "wired port" not in words(make(tmp_path, network={"wired": "shore"}))


def test_the_supply_is_drawn_where_the_profile_has_it(tmp_path: Path) -> None:
    said = words(make(tmp_path, **make_changes(4)))
    assert (
        "power converter 12 V from a battery of 110 Ah, fuse or breaker of 3 A where the cable "
        "starts, cable 4 m of 1.5 mm², lead 1 m of 0.5 mm²" in said
    )
    assert "its fuse or breaker (3 A)" in said
    assert "Fuse or breaker is at Spare card is at" in said
    without = words(make(tmp_path))
    assert "converter" not in without and "Fuse or breaker is at" in without


def test_another_socket_is_proposed_only_for_an_adapter_that_may_move(tmp_path: Path) -> None:
    fixed = {"gnss": {"adapter": {"port": "1-1.3"}, "talks": ["RMC"]}}
    loose = {"wind": {"adapter": {"serial": "W"}, "talks": ["MWV"]}}
    said = {
        name: words(make(tmp_path, links=links))
        for name, links in (("fixed", fixed), ("loose", loose), ("both", fixed | loose))
    }
    assert "another USB socket" not in said["fixed"]
    assert "leave it in this socket" in said["fixed"] and "1-1.3" in said["fixed"]
    assert "another number" not in said["fixed"]
    assert "Try another USB socket." in said["loose"] and "leave it" not in said["loose"]
    assert "Where its cable is drawn solid, try another USB socket." in said["both"]


def test_a_boat_of_a_network_alone_is_not_told_of_adapters(tmp_path: Path) -> None:
    said = words(make(tmp_path, links={"backbone": {"can": "can0", "talks": ["depth"]}}))
    assert "adapter" not in said.replace("Spare adapter is at", "")
    assert "Push in the network's plug at the computer (see 3)." in said


def test_every_link_and_input_is_drawn_once(tmp_path: Path) -> None:
    changes = make_changes(20)
    html = make(tmp_path, **changes).html
    for name in (*changes["links"], *changes["inputs"]):
        assert html.count(f"<b><bdi>{name}</bdi></b>") == 1


def test_several_boats_stand_one_after_the_other(tmp_path: Path) -> None:
    boats = [(boat(tmp_path, boat=name), f"{name} is secret") for name in ("tern", "knot")]
    html = make_sheets(boats, Paper.LETTER).html
    assert html.index("tern is secret") < html.index("knot is secret")
    assert html.count("<article") == 2 and "size: letter" in html


def test_type_is_as_large_as_the_layout_allows(tmp_path: Path) -> None:
    def count_pages(html: str) -> int:
        (size,) = re.findall(r'style="font-size: ([\d.]+)pt"', html)
        return 1 if float(size) <= 9.4 else 2

    pages = make_sheets([(boat(tmp_path), None)], Paper.A4, count_pages)
    assert 'style="font-size: 9.4pt"' in pages.html
    assert 'class="long"' not in pages.html


def test_what_fits_on_no_page_begins_with_what_to_do(tmp_path: Path) -> None:
    def count_pages(html: str) -> int:
        (size,) = re.findall(r'style="font-size: ([\d.]+)pt"', html)
        return 2 if float(size) <= 10 else 3

    pages = make_sheets([(boat(tmp_path, **make_changes(20)), None)], Paper.A4, count_pages)
    assert '<article class="long" style="font-size: 10.0pt">' in pages.html
    said = words(pages)
    assert said.index("3 What to do when") < said.index("4 Where everything is plugged in")
    assert "(see 4)" in said
