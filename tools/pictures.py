#!/usr/bin/env python
# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the pictures of README from the example club: the same bytes twice on one machine.

The pictures need Debian's chromium, as tests of the page do. All data in them are invented.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

TOP = Path(__file__).parents[1]
sys.path.insert(0, str(TOP))

from playwright.async_api import Browser, async_playwright  # noqa: E402

from provision.commands import find  # noqa: E402
from tests.support.page.boat import page_config, page_json  # noqa: E402
from tests.support.page.server import Served, serve  # noqa: E402

OUT = TOP / "docs" / "pictures"

#: Pixels of a phone, and of a sheet of A4 at 96 dpi.
PHONE, SHEET = (390, 844), (794, 1123)


def provision(*words: str, cwd: Path) -> None:
    """Run a command, which has to succeed."""
    subprocess.run([sys.executable, "-m", "provision", *words], cwd=cwd, check=True)


async def shoot(
    browser: Browser, name: str, url: str, size: tuple[int, int], *, night: bool = False
) -> None:
    """Take a picture of a page in a window of that size."""
    context = await browser.new_context(viewport={"width": size[0], "height": size[1]})
    page = await context.new_page()
    # A page with live events never ends to load.
    live = url.startswith("http:")
    await page.goto(url, wait_until="commit" if live else "load")
    if live:
        await page.wait_for_selector("body[data-live=yes]")
    if night:
        await page.click("#light")
    await page.screenshot(path=OUT / f"{name}.png", animations="disabled")
    await context.close()


def main() -> None:
    """Make all pictures."""
    OUT.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as work:
        here = Path(work)
        provision("init", "--example", "boats", cwd=here)
        provision("keys", "kittiwake", cwd=here)
        provision("sheet", "kittiwake", "--no-pass-phrase", "-o", "sheet.html", cwd=here)

        async def play(served: Served) -> None:
            async with async_playwright() as engine:
                browser = await engine.chromium.launch(
                    executable_path=find("chromium"), args=["--no-sandbox"]
                )
                url = f"http://127.0.0.1:{served.port}/"
                await shoot(browser, "page-day", url, PHONE)
                await shoot(browser, "page-night", url, PHONE, night=True)
                await shoot(browser, "sheet", (here / "sheet.html").as_uri(), SHEET)
                await browser.close()

        serve(play, config=page_config(hosts=["127.0.0.1", *page_json()["hosts"]]))


if __name__ == "__main__":
    main()
