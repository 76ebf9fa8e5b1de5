# SPDX-License-Identifier: GPL-3.0-or-later
"""boat-watch: watch the boat's computer and links, or ask what is remembered.

boat-watch [--config FILE] [--feed SOCKET] [--socket PATH]
boat-watch --history | --concerns [--socket PATH]
"""

from __future__ import annotations

import getopt
import json
import sys
from functools import partial

CONFIG = "/etc/boat/watch.json"
FEED_SOCKET = "/run/boat-feed/state.sock"
SOCKET = "/run/boat-watch/history.sock"

USAGE = """\
usage: boat-watch [--config FILE]               watch, as FILE says (/etc/boat/watch.json)
       boat-watch --history [--socket PATH]     print all that is remembered, as JSON
       boat-watch --concerns [--socket PATH]    print what somebody should look at, as JSON
"""

_OPTIONS = ["help", "config=", "feed=", "socket=", "history", "concerns"]


def main(arguments: list[str]) -> int:
    """Return the exit status: 0 success, 1 ended by a fault, 2 could not run."""
    try:
        options, rest = getopt.getopt(arguments, "h", _OPTIONS)
        if rest:
            raise getopt.GetoptError(f"{rest[0]} is not expected")
    except getopt.GetoptError as error:
        sys.stderr.write(f"boat-watch: {error}\n{USAGE}")
        return 2
    chosen = dict(options)
    if "-h" in chosen or "--help" in chosen:
        sys.stdout.write(USAGE)
        return 0
    path = chosen.get("--socket", SOCKET)
    try:
        if "--history" in chosen or "--concerns" in chosen:
            return _tell(path, whole="--history" in chosen)
        return _watch(chosen.get("--config", CONFIG), chosen.get("--feed", FEED_SOCKET), path)
    except (OSError, ValueError) as error:
        sys.stderr.write(f"boat-watch: {error}\n")
        return 1
    except KeyboardInterrupt:
        return 0


def _tell(path: str, *, whole: bool) -> int:
    from provision.onboard.feed.config.json_reader import ConfigError  # noqa: PLC0415
    from provision.onboard.feed.state_query import ask  # noqa: PLC0415

    try:
        answer = ask(path)
    except ConfigError:
        sys.stderr.write(f"boat-watch: {path}: no boat-watch answers\n")
        return 2
    kept = answer if whole else {key: answer[key] for key in ("format", "sampled", "concerns")}
    sys.stdout.write(json.dumps(kept) + "\n")
    return 0


def _watch(config: str, feed: str, path: str) -> int:
    # Asking for the history needs none of these modules, and happens often on a slow machine.
    import asyncio  # noqa: PLC0415

    from provision.onboard.feed.report import fault_log  # noqa: PLC0415
    from provision.onboard.feed.report.state_client import ask_feed  # noqa: PLC0415
    from provision.onboard.watch.daemon import Watch  # noqa: PLC0415
    from provision.onboard.watch.facts.computer import Computer  # noqa: PLC0415
    from provision.onboard.watch.facts.config import load  # noqa: PLC0415

    fault_log.log_to_standard_error()
    told = load(config)

    async def run() -> None:
        computer = Computer(supply_alarm=told.supply_alarm)
        await Watch(told, computer, partial(ask_feed, feed)).run(path)

    asyncio.run(run())
    return 0


if __name__ == "__main__":
    # The program never speaks TLS, but asyncio would load it: 4 MB of a small computer's memory.
    sys.modules.setdefault("ssl", None)  # type: ignore[arg-type]
    sys.exit(main(sys.argv[1:]))
