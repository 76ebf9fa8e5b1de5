# SPDX-License-Identifier: GPL-3.0-or-later
"""Every kind of page about the invented club, and a reader of what was written."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

from provision.push.options import PushOptions
from provision.report.contents.check import check_page
from provision.report.contents.fleet import fleet_page
from provision.report.contents.push import push_page
from provision.report.contents.survey import survey_page
from provision.report.contents.verify import verify_page
from provision.report.html import write_html
from provision.report.page import Page
from tests.support.report import club

#: Elements that have no end tag (HTML Living Standard, 13.1.2).
VOID = {"meta", "br", "hr", "img", "link", "input"}

CALLED = {name: name for name in club.NAMES}


def check(names: Sequence[str]) -> Page:
    with tempfile.TemporaryDirectory() as folder:
        return check_page(club.checked(Path(folder), names))


PAGES: dict[str, Callable[[Sequence[str]], Page]] = {
    "check": check,
    "survey": lambda _: survey_page(club.found()),
    "verify": lambda names: verify_page(club.proofs(names), CALLED),
    "push": lambda names: push_page(club.push_results(names), PushOptions(), CALLED),
    "dry run": lambda names: push_page(
        club.dry_run_results(names), PushOptions(dry_run=True), CALLED
    ),
    "fleet": lambda names: fleet_page(club.statuses(names), CALLED, club.NOW),
}


def write(page: Page) -> str:
    """Write a page as if it had taken twelve minutes."""
    return write_html(page, club.NOW, club.NOW + 724).decode()


@dataclass
class Element:
    """Hold one element and the text in it, with that of the elements within."""

    tag: str
    attributes: dict[str, str]
    text: str = ""


@dataclass
class Reader(HTMLParser):
    """Reads a page, and fails where elements are not closed in their order."""

    elements: list[Element] = field(default_factory=list)
    open: list[Element] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, {name: value or "" for name, value in attrs})
        assert len(element.attributes) == len(attrs), f"{tag} has an attribute twice"
        self.elements.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1].tag == tag, f"</{tag}> closes no {tag}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        for element in self.open:
            element.text += data

    def all(self, tag: str) -> list[Element]:
        """Return the elements of a kind."""
        return [element for element in self.elements if element.tag == tag]


def read(text: str) -> Reader:
    """Read a whole page."""
    reader = Reader()
    reader.feed(text)
    reader.close()
    assert reader.open == []
    return reader
