# SPDX-License-Identifier: GPL-3.0-or-later
"""A report is one small file of valid HTML that asks for nothing, and its verdict comes first."""

from __future__ import annotations

import base64
import hashlib
import re

import pytest
from markupsafe import Markup

from provision.push.options import PushOptions
from provision.push.query.links import LinkStatus
from provision.push.result import Outcome, PushResult
from provision.push.status import BoatStatus
from provision.report.contents.fleet import fleet_page
from provision.report.contents.push import push_page
from provision.report.contents.verify import verify_page
from provision.report.page import Mark, Page, Plot, Section, Share, Table, ToDo
from provision.ssh.endpoint import Endpoint
from provision.verify.runner import TestOutcome, VerifyResult
from tests.support.report import club
from tests.support.report.pages import CALLED, PAGES, read, write

#: What a report of a club of 24 has at most.
MAX_BYTES = 100_000

pages = pytest.mark.parametrize("kind", PAGES)
sizes = pytest.mark.parametrize("boats", [1, 3, 24])


@pages
@sizes
def test_a_report_is_small_and_whole(kind: str, boats: int) -> None:
    text = write(PAGES[kind](club.NAMES[:boats]))
    assert len(text.encode()) < MAX_BYTES
    assert text.startswith("<!doctype html>\n")
    read(text)


LONG = "a reason of some length, " * 8


def worst(kind: str) -> Page:
    """Make the page of a club of 24 in which all is wrong with each boat, each time otherwise."""
    if kind == "push":
        results = [
            PushResult(name, Outcome.ROLLED_BACK, "", f"{name}: {LONG}", f"{name}, {LONG}")
            for name in club.NAMES
        ]
        return push_page(results, PushOptions(), CALLED)
    if kind == "verify":
        failed = tuple(
            TestOutcome("feed", f"promise {number}", "failed", 1.0, LONG) for number in range(60)
        )
        return verify_page([VerifyResult(name, 9.0, failed) for name in club.NAMES], CALLED)
    files = tuple(f"/etc/some/folder/of/files-{number}.conf" for number in range(60))
    statuses = [
        BoatStatus(
            name,
            club.NEW_DIGEST,
            Endpoint("10.47.1.1"),
            kept=club.DIGEST,
            differs=files,
            drift=tuple((file, "content") for file in files),
            degraded=True,
            health_issues=(f"degraded: {name} {LONG}", "its supply voltage is or was too low"),
            links={f"link-{number}": LinkStatus("silent", 90.0) for number in range(12)},
            seen=club.NOW,
        )
        for name in club.NAMES
    ]
    return fleet_page(statuses, CALLED, club.NOW)


@pytest.mark.parametrize("kind", ["push", "verify", "fleet"])
def test_a_report_is_small_on_the_worst_of_days(kind: str) -> None:
    text = write(worst(kind))
    assert len(text.encode()) < MAX_BYTES
    read(text)


@pages
def test_the_verdict_is_title_and_first_line(kind: str) -> None:
    page = PAGES[kind](club.NAMES)
    reader = read(write(page))
    (title,), (head,) = reader.all("title"), reader.all("h1")
    assert title.text == head.text == page.verdict
    tags = [element.tag for element in reader.elements]
    assert tags.index("h1") < tags.index("section")


@pages
def test_a_report_asks_for_nothing(kind: str) -> None:
    """No script, no address: all that may be named is something on the page itself."""
    text = write(PAGES[kind](club.NAMES))
    reader = read(text)
    assert not reader.all("script") and not reader.all("iframe") and not reader.all("link")
    for element in reader.elements:
        for name, value in element.attributes.items():
            assert not name.startswith("on") and name not in ("src", "srcset", "style", "action")
            assert name != "href" or value.startswith("#")
    (style,) = reader.all("style")
    assert set(re.findall(r"url\(([^)]*)\)", style.text)) == {"#hatch"}
    assert "@import" not in style.text and "://" not in text


@pages
def test_the_browser_is_told_to_let_nothing_else_in(kind: str) -> None:
    """The policy names the style by its digest, as a browser computes it (CSP level 3)."""
    reader = read(write(PAGES[kind](club.NAMES[:3])))
    (style,) = reader.all("style")
    digest = base64.b64encode(hashlib.sha256(style.text.encode()).digest()).decode()
    (policy,) = [
        meta.attributes["content"]
        for meta in reader.all("meta")
        if meta.attributes.get("http-equiv") == "Content-Security-Policy"
    ]
    assert policy == f"default-src 'none'; style-src 'sha256-{digest}'"


@pages
def test_each_link_leads_somewhere(kind: str) -> None:
    reader = read(write(PAGES[kind](club.NAMES)))
    ids = [one.attributes["id"] for one in reader.elements if "id" in one.attributes]
    assert len(ids) == len(set(ids))
    targets = [one.attributes["href"].removeprefix("#") for one in reader.all("a")]
    targets += [
        one.attributes["aria-labelledby"]
        for one in reader.elements
        if "aria-labelledby" in one.attributes
    ]
    assert targets and set(targets) <= set(ids)


@pages
def test_the_worst_comes_first(kind: str) -> None:
    marks = [section.mark for section in PAGES[kind](club.NAMES).sections]
    assert marks == sorted(marks, key=[Mark.TROUBLE, Mark.WATCH, Mark.FINE].index)


@pages
def test_a_report_reads_without_colour(kind: str) -> None:
    """Each mark has a word beside it, and the bar's numbers stand below it in words."""
    page = PAGES[kind](club.NAMES)
    assert all(section.state for section in page.sections)
    assert sum(share.count for share in page.shares) == len(page.sections)
    shown = read(write(page)).all("ul")[0].text
    assert all(f"{share.count} {share.label}" in shown for share in page.shares)


@pytest.mark.parametrize("kind", ["push", "verify", "fleet"])
def test_of_one_boat_nothing_is_compared(kind: str) -> None:
    """Neither a bar of one share, nor one bar of a time, which stands at its top already."""
    for boats, some in ((1, False), (2, True)):
        reader = read(write(PAGES[kind](club.NAMES[:boats])))
        assert any(one.attributes.get("class") == "shares" for one in reader.all("svg")) is some
        times = [one for one in reader.all("h2") if one.attributes["id"] == "times"]
        assert bool(times) is (some and kind != "fleet")


@pages
def test_the_same_result_makes_the_same_bytes(kind: str) -> None:
    """But for the folder of the profiles, which differs here."""
    once, twice = (write(PAGES[kind](club.NAMES[:3])) for _ in range(2))
    if kind != "check":
        assert once == twice


HOSTILE = (
    '<img src=x onerror=alert(1)>"&amp;',
    "</style><script>alert(1)</script>",
    "tern\u202egnp.exe\u200b\u2066",
    "\x1b[31mred\x07",
    "{{ 7 * 7 }}{% raw %}",
    "x" * 63,
)


@pytest.mark.parametrize("name", HOSTILE)
def test_no_name_is_more_than_text(name: str) -> None:
    drawn = Markup('<svg><rect width="3%"/></svg>')
    page = Page(
        name,
        name,
        (Share(1, name, Mark.TROUBLE),),
        (ToDo(((name, name),), name, name, name, (name,)),),
        item="boat",
        heads=(name,),
        sections=(
            Section(
                name,
                Mark.TROUBLE,
                name,
                (name,),
                facts=((name, name),),
                notes=(name,),
                tables=(Table((name, ""), ((name, drawn),), title=name),),
                plots=(Plot(name, drawn, name),),
            ),
        ),
        remarks=(name,),
        sources=(name,),
        changes_note=name,
    )
    text = write(page)
    reader = read(text)
    calm = write(Page("calm", "calm"))
    assert {one.tag for one in reader.elements} <= {
        *(one.tag for one in read(calm).elements),
        *"section h2 h3 h4 ol ul li dl dt dd div p pre table thead tbody tr th td a".split(),
        *"article span figure figcaption rect text g use".split(),
    }
    assert not re.search("[\u202a-\u202e\u2066-\u2069\u200b\x00-\x08\x0b-\x1f]", text)
    assert "49" not in reader.all("h1")[0].text
    if name.isascii() and name.isprintable():
        assert reader.all("h1")[0].text == name


def test_a_boat_has_room_for_what_it_remembers() -> None:
    plot = Plot("Link silences", Markup('<svg><rect width="3%"/></svg>'), "none in 30 days")
    section = Section("tern", Mark.FINE, "healthy", plots=(plot,))
    (figure,) = read(write(Page("Fleet", "tern is fit", sections=(section,)))).all("figure")
    assert figure.text == "Link silencesnone in 30 days"
