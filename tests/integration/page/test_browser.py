# SPDX-License-Identifier: GPL-3.0-or-later
"""The page in a real browser: Debian's chromium, without a screen.

axe-core looks for what a person who cannot see the page as drawn would stumble over.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any

import pynmea2
import pytest
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import Browser, Page, async_playwright, expect

from provision.commands import find
from tests.support.page.boat import DPT, HDG, RMC, heard, page_config, page_json, state
from tests.support.page.server import Served, serve
from tests.support.watch.past import remembered

#: Seconds within which the page says what has changed.
SOON_S = 2.0

#: A phone, a cheap one, a small screen aboard, a laptop; and a laptop's page at 400 %.
SIZES = [(390, 844), (320, 568), (800, 480), (1280, 800), (320, 200)]

#: Names that a profile may have: a right-to-left mark, markup, forty characters.
STRANGE = ["\u202etern", "<b onclick=alert(1)>tern</b>", "a" * 40]

#: By how many pixels the page is wider than its window.
WIDER = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


@asynccontextmanager
async def browser() -> AsyncIterator[Browser]:
    """Run the browser until the end."""
    async with async_playwright() as engine:
        running = await engine.chromium.launch(
            executable_path=find("chromium"), args=["--no-sandbox"]
        )
        try:
            yield running
        finally:
            await running.close()


async def opened(running: Browser, port: int, size: tuple[int, int] = SIZES[0]) -> Page:
    """Open the page, and wait until it shows values."""
    context = await running.new_context(viewport={"width": size[0], "height": size[1]})
    page = await context.new_page()
    await page.goto(f"http://127.0.0.1:{port}/", wait_until="commit")
    await page.wait_for_selector("body[data-live=yes]")
    await page.wait_for_selector("#periods li", state="attached")
    return page


def look(
    play: Callable[[Served, Browser], Awaitable[None]],
    ask: Callable[[], Awaitable[dict[str, Any] | None]] | None = None,
    **changes: Any,
) -> None:
    """Run `play` with a server of a boat's page and a browser."""

    async def with_browser(served: Served) -> None:
        async with browser() as running:
            await play(served, running)

    hosts = ["127.0.0.1", *page_json()["hosts"]]
    config = page_config(hosts=hosts, **changes)
    serve(with_browser, ask=ask, remember=remembered, config=config)


def test_what_the_instruments_say_is_shown_with_its_source() -> None:
    """The reference is pynmea2, which reads the same sentences."""

    async def play(served: Served, running: Browser) -> None:
        page = await opened(running, served.port)
        rows = {
            await row.locator(".what").inner_text(): row
            for row in await page.locator("#values li").all()
        }
        depth, course = pynmea2.parse(DPT), pynmea2.parse(RMC)
        heading = pynmea2.parse(HDG)
        wanted = {
            "Depth": (f"{depth.depth + depth.offset:.1f}", "depth-log"),
            "Speed over ground": (f"{course.spd_over_grnd:.1f}", "gnss"),
            "Course over ground": (f"{course.true_course:03.0f}", "gnss"),
            "Heading": (f"{float(heading.heading):03.0f}", "autopilot"),
        }
        found = {
            name: (
                (await rows[key].locator(".number").inner_text()),
                (await rows[key].locator(".from bdi").inner_text()),
            )
            for name in wanted
            for key in rows
            if key.startswith(name)
        }
        for name, (number, source) in wanted.items():
            assert name in found, list(rows)
            assert number.lstrip("0") in found[name][0].lstrip("0")
            assert found[name][1] == source

    look(play)


def test_an_unplugged_adapter_is_told_soon() -> None:
    pulled = False

    async def ask() -> dict[str, Any]:
        return state({"depth-log": heard(DPT, present=False, age=3.0)} if pulled else None)

    async def play(served: Served, running: Browser) -> None:
        nonlocal pulled
        page = await opened(running, served.port)
        await expect(page.locator("#verdict")).to_have_attribute("data-level", "ok")
        pulled, begin = True, time.monotonic()
        await expect(page.locator("#said")).to_contain_text("depth-log", timeout=10_000)
        assert time.monotonic() - begin < SOON_S
        await expect(page.locator("#action")).to_contain_text("TN-DPTH-02")

    look(play, ask)


@pytest.mark.parametrize("silent", ["feed", "server"])
def test_the_page_says_soon_that_it_is_not_live(silent: str) -> None:
    """Either the feed does not answer, or the server stands still with its connection open."""
    off = False

    async def ask() -> dict[str, Any] | None:
        if off and silent == "server":
            await asyncio.sleep(3600)
        return None if off else state()

    async def play(served: Served, running: Browser) -> None:
        nonlocal off
        page = await opened(running, served.port)
        off, begin = True, time.monotonic()
        await expect(page.locator("#live")).to_contain_text("not live", timeout=10_000)
        # A second may pass until the next event is due.
        assert time.monotonic() - begin < SOON_S + 1
        numbers = await page.locator("#values .number").all_inner_texts()
        assert set(numbers) == {"\u2013"}

    look(play, ask)


def test_strange_names_are_shown_as_text() -> None:
    """Nothing of them becomes markup, nothing turns the text around them, nothing overflows."""
    sources = page_json()["sources"]
    strange = {**{name: sources["gnss"] for name in STRANGE}, **sources}

    async def ask() -> dict[str, Any]:
        return state({name: heard(RMC) for name in STRANGE})

    async def play(served: Served, running: Browser) -> None:
        for size in SIZES:
            page = await opened(running, served.port, size)
            assert await page.locator("main b[onclick]").count() == 0
            assert "\u202e" not in await page.locator("main").inner_text()
            assert await page.evaluate(WIDER) == 0, size
            await page.context.close()

    look(play, ask, boat=STRANGE[0], sources=strange)


@pytest.mark.parametrize("light", ["day", "night"])
def test_axe_finds_nothing(light: str) -> None:
    async def play(served: Served, running: Browser) -> None:
        for size in SIZES[:1] + SIZES[3:4]:
            context = await running.new_context(
                viewport={"width": size[0], "height": size[1]}, bypass_csp=True
            )
            for path in ("/", "/plain"):
                page = await context.new_page()
                await page.goto(f"http://127.0.0.1:{served.port}{path}", wait_until="commit")
                if path == "/":
                    await page.wait_for_selector("#values li")
                    await page.wait_for_selector("#periods li")
                    if light == "night":
                        await page.click("#light")
                    await page.click("summary")
                found = await Axe().run(page)
                faults = [
                    (fault["id"], [node["html"] for node in fault["nodes"]])
                    for fault in found.response["violations"]
                ]
                assert faults == [], (size, path)
                await page.close()
            await context.close()

    look(play)


def test_no_request_leaves_the_boat_and_the_policy_is_kept() -> None:
    async def play(served: Served, running: Browser) -> None:
        context = await running.new_context()
        page = await context.new_page()
        asked: list[str] = []
        complaints: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        await page.goto(f"http://127.0.0.1:{served.port}/", wait_until="commit")
        await page.wait_for_selector("body[data-live=yes]")
        await page.click("summary")
        await page.wait_for_selector("#pictures img")
        assert len(asked) > 3
        origin = f"http://127.0.0.1:{served.port}/"
        assert [url for url in asked if not url.startswith(origin)] == []
        assert complaints == []

    look(play)


def test_twice_the_text_size_overflows_nowhere() -> None:
    """WCAG 2.2, 1.4.4: text grows to 200 % without loss."""

    async def play(served: Served, running: Browser) -> None:
        for size in SIZES:
            page = await opened(running, served.port, size)
            await page.evaluate("document.documentElement.style.fontSize = '200%'")
            assert await page.evaluate(WIDER) == 0, size
            await page.context.close()

    look(play)


def test_what_the_boat_remembers_is_drawn_and_said() -> None:
    async def play(served: Served, running: Browser) -> None:
        page = await opened(running, served.port)
        told = (await served.live.history())["periods"]
        assert await page.locator("#periods h3").all_inner_texts() == [one["name"] for one in told]
        shown = [
            [
                await row.locator("bdi").inner_text(),
                await row.locator(".name span").inner_text(),
                await row.locator("path.drawn").get_attribute("d"),
            ]
            for row in await page.locator("#periods li").all()
        ]
        plots = [plot for one in told for plot in one["plots"]]
        assert shown == [[plot["name"], plot["text"], plot["drawn"]] for plot in plots]
        assert await page.locator("#concerns li").count() > 0
        box = await page.locator("#periods svg").first.bounding_box()
        assert box is not None and box["width"] > 300 and box["height"] > 15

    look(play)


def test_a_keyboard_reaches_everything() -> None:
    async def play(served: Served, running: Browser) -> None:
        page = await opened(running, served.port)
        reached = []
        for _ in range(4):
            await page.keyboard.press("Tab")
            reached.append(
                await page.evaluate("document.activeElement.id || document.activeElement.tagName")
            )
        assert reached[:3] == ["light", "SUMMARY", "A"]
        await page.focus("#light")
        await page.keyboard.press("Enter")
        await expect(page.locator("html")).to_have_attribute("data-light", "night")

    look(play)


def test_a_broken_connection_is_made_again() -> None:
    async def play(served: Served, running: Browser) -> None:
        page = await opened(running, served.port)
        before = list(served.live.readers)
        for reader in before:
            served.live.remove(reader)
            reader.abort()
        deadline = time.monotonic() + 15
        while not served.live.readers:
            assert time.monotonic() < deadline
            await asyncio.sleep(0.1)
        assert not set(before) & served.live.readers
        await expect(page.locator("#live")).to_have_text("live", timeout=10_000)

    look(play)
