# SPDX-License-Identifier: GPL-3.0-or-later
"""boat-feed: run the feed, or ask a running feed for its state.

boat-feed --config FILE
boat-feed --state [--socket PATH]
"""

from __future__ import annotations

import getopt
import json
import sys

from provision.onboard.feed.config import models, parse
from provision.onboard.feed.config.json_reader import ConfigError
from provision.onboard.feed.state_query import ask

#: Path of the configuration that the settings write.
CONFIG = "/etc/boat/feed.json"

USAGE = """\
usage: boat-feed [--config FILE]            feed, as FILE says (/etc/boat/feed.json)
       boat-feed --state [--socket PATH]    print the state of the running feed as JSON
"""


def main(arguments: list[str]) -> int:
    """Return the exit status: 0 success, 1 ended by a fault, 2 could not run."""
    try:
        options, rest = getopt.getopt(arguments, "h", ["help", "config=", "state", "socket="])
        if rest:
            raise getopt.GetoptError(f"{rest[0]} is not expected")
    except getopt.GetoptError as error:
        sys.stderr.write(f"boat-feed: {error}\n{USAGE}")
        return 2
    chosen = dict(options)
    if "-h" in chosen or "--help" in chosen:
        sys.stdout.write(USAGE)
        return 0
    try:
        if "--state" in chosen:
            state = ask(chosen.get("--socket", models.STATE_SOCKET))
            sys.stdout.write(json.dumps(state, indent=2) + "\n")
            return 0
        return feed(parse.load(chosen.get("--config", CONFIG)))
    except ConfigError as error:
        sys.stderr.write(f"boat-feed: {error}\n")
        return 2
    except KeyboardInterrupt:
        return 0


def feed(settings: models.Config) -> int:
    """Run until a signal ends the feed."""
    # Asking for the state needs none of these modules, and happens often on a slow machine.
    import asyncio  # noqa: PLC0415

    from provision.onboard.feed import daemon  # noqa: PLC0415
    from provision.onboard.feed.report import fault_log  # noqa: PLC0415

    fault_log.log_to_standard_error()
    try:
        asyncio.run(daemon.run(settings))
    except OSError as error:
        fault_log.log.error("cannot run: %s", error)
        return 1
    return 0


if __name__ == "__main__":
    # The feed never speaks TLS, but asyncio would load it: 4 MB of a small computer's memory.
    sys.modules.setdefault("ssl", None)  # type: ignore[arg-type]
    sys.exit(main(sys.argv[1:]))
