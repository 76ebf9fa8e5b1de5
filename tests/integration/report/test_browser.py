# SPDX-License-Identifier: GPL-3.0-or-later
"""Reports in a real browser: Debian's chromium, without a screen.

axe-core looks for what a person who cannot see the page as drawn would stumble over.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from provision.commands import find
from tests.support.report import club
from tests.support.report.pages import PAGES, write

#: A phone, a cheap one, a laptop, and a laptop's page at 400 %.
SIZES = [(390, 844), (320, 568), (1280, 800), (320, 200)]

#: The longest names that boats may have, and others.
NAMES = ["x" * 63, "w" * 40, *club.NAMES[2:9]]

#: By how many pixels the page is wider than its window.
WIDER = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as engine:
        running = engine.chromium.launch(executable_path=find("chromium"), args=["--no-sandbox"])
        yield running
        running.close()


@pytest.fixture(params=PAGES)
def report(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    file = tmp_path / "report.html"
    file.write_text(write(PAGES[request.param](NAMES)))
    return file


def test_a_report_fits_every_screen(browser: Browser, report: Path) -> None:
    """Also where text is twice as large (WCAG 2.2, 1.4.4) and the window narrow (1.4.10)."""
    page = browser.new_page()
    page.goto(report.as_uri())
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate(WIDER) <= 0, (width, height)
    page.set_viewport_size({"width": 1280, "height": 800})
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    assert page.evaluate(WIDER) <= 0
    page.close()


def test_a_report_asks_for_nothing_and_its_policy_holds(browser: Browser, report: Path) -> None:
    said: list[str] = []
    asked: list[str] = []
    page = browser.new_page()
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(report.as_uri())
    assert (asked, said) == ([report.as_uri()], [])
    # The style was let in by its digest.
    assert page.evaluate("getComputedStyle(document.querySelector('h1')).fontSize") != "32px"
    page.close()


@pytest.mark.parametrize("light", ["light", "dark"])
def test_axe_finds_nothing(browser: Browser, report: Path, light: str) -> None:
    context = browser.new_context(color_scheme=light, bypass_csp=True)
    page = context.new_page()
    page.goto(report.as_uri())
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    context.close()


def colours(page: Page) -> set[str]:
    """Return every colour of texts and grounds, and those that drawings are filled with."""
    return set(
        page.evaluate(
            "[...document.querySelectorAll('body *')].flatMap(one => {"
            " const style = getComputedStyle(one);"
            " return [style.color, style.backgroundColor, style.fill]})"
        )
    )


def test_on_paper_a_report_is_black_and_white(browser: Browser, report: Path) -> None:
    """By night, too: a browser that shows dark pages prints light ones."""
    page = browser.new_page(color_scheme="dark")
    page.goto(report.as_uri())
    page.emulate_media(media="print")
    for colour in colours(page):
        if colour.startswith("rgb("):
            assert len(set(colour[4:-1].split(", "))) == 1, colour
    ground = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    assert ground == "rgb(255, 255, 255)"
    assert page.evaluate(WIDER) <= 0
    page.close()
