# SPDX-License-Identifier: GPL-3.0-or-later
"""boat-page: serve the page on the socket that systemd has opened.

boat-page [--config FILE] [--feed SOCKET] [--history SOCKET]

Ends by itself when no browser has been connected for some minutes. systemd starts it again for the
next connection.
"""

from __future__ import annotations

import asyncio
import getopt
import os
import sys
from functools import partial

CONFIG = "/etc/boat/page.json"
STATE_SOCKET = "/run/boat-feed/state.sock"
HISTORY_SOCKET = "/run/boat-watch/history.sock"

USAGE = (
    "usage: boat-page [--config FILE] [--feed SOCKET] [--history SOCKET], "
    "started by boat-page.socket\n"
)


def main(arguments: list[str]) -> int:
    """Return the exit status: 0 success, 1 could not run, 2 wrong use."""
    try:
        options, rest = getopt.getopt(arguments, "h", ["help", "config=", "feed=", "history="])
    except getopt.GetoptError as error:
        sys.stderr.write(f"boat-page: {error}\n{USAGE}")
        return 2
    chosen = dict(options)
    if rest or "-h" in chosen or "--help" in chosen:
        sys.stdout.write(USAGE)
        return 2 if rest else 0
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    usual = f"{folder}/page.json" if folder else CONFIG
    path = chosen.get("--config", usual)
    try:
        feed = chosen.get("--feed", STATE_SOCKET)
        history = chosen.get("--history", HISTORY_SOCKET)
        asyncio.run(_run(path, feed, history))
    except (OSError, ValueError) as error:
        sys.stderr.write(f"boat-page: {error}\n")
        return 1
    except KeyboardInterrupt:
        pass
    return 0


async def _run(config: str, feed: str, history: str) -> None:
    from provision.onboard.feed.report import state_client  # noqa: PLC0415
    from provision.onboard.page.facts.charts import read_charts  # noqa: PLC0415
    from provision.onboard.page.facts.config import load  # noqa: PLC0415
    from provision.onboard.page.facts.health import read_health  # noqa: PLC0415
    from provision.onboard.page.facts.history import ask_history  # noqa: PLC0415
    from provision.onboard.page.web.live import Live  # noqa: PLC0415
    from provision.onboard.page.web.server import Server  # noqa: PLC0415
    from provision.onboard.web.server import passed_socket  # noqa: PLC0415

    listening = passed_socket("boat-page.socket")
    boat = load(config)
    ask = partial(state_client.ask_feed, feed)
    server = Server(boat, Live(boat, ask, read_health, partial(ask_history, history), read_charts))
    await server.serve_until_idle(listening)


if __name__ == "__main__":
    # The page never speaks TLS, but asyncio would load it: 4 MB of a small computer's memory.
    sys.modules.setdefault("ssl", None)  # type: ignore[arg-type]
    sys.exit(main(sys.argv[1:]))
