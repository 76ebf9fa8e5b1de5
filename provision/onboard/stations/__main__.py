# SPDX-License-Identifier: GPL-3.0-or-later
"""boat-stations: serve, or with --reload let hostapd read its pass-phrases again."""

from __future__ import annotations

import argparse
import sys

from provision.onboard.feed.notify import notify
from provision.onboard.stations import hostapd
from provision.onboard.stations.server import SOCKET, Server


def main() -> int:
    """The exit status: 1 when hostapd did not take its pass-phrases."""
    parser = argparse.ArgumentParser(prog="boat-stations", description=__doc__)
    parser.add_argument("--reload", action="store_true", help="read the pass-phrases again")
    parser.add_argument("--socket", default=SOCKET, help="where to answer")
    parser.add_argument("--hostapd", default=hostapd.SOCKET, help="where hostapd listens")
    options = parser.parse_args()
    if options.reload:
        try:
            hostapd.reload_pass_phrases(options.hostapd)
        except hostapd.HostapdError as error:
            print(error, file=sys.stderr)
            return 1
        return 0
    server = Server(options.socket, options.hostapd)
    notify("READY=1")
    while True:
        server.step()


if __name__ == "__main__":
    sys.exit(main())
