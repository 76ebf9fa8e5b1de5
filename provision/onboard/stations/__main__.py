# SPDX-License-Identifier: GPL-3.0-or-later
"""boat-stations: serve, ask a running server, or make hostapd read its pass-phrases again."""

from __future__ import annotations

import argparse
import sys

from provision.onboard.feed.report.sd_notify import notify
from provision.onboard.stations import hostapd
from provision.onboard.stations.server import SOCKET, Server, ask


def main() -> int:
    """Return the exit status: 1 when hostapd refuses the pass-phrases, or no server answers."""
    parser = argparse.ArgumentParser(prog="boat-stations", description=__doc__)
    parser.add_argument("--reload", action="store_true", help="read the pass-phrases again")
    parser.add_argument("--ask", metavar="MAC", help="print how a hardware address has joined")
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
    if options.ask:
        try:
            print(ask(options.ask, options.socket))
        except OSError as error:
            print(f"boat-stations does not answer: {error.strerror or error}", file=sys.stderr)
            return 1
        return 0
    server = Server(options.socket, options.hostapd)
    notify("READY=1")
    while True:
        server.step()


if __name__ == "__main__":
    sys.exit(main())
