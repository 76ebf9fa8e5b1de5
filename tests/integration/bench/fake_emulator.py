# SPDX-License-Identifier: GPL-3.0-or-later
"""A program in the emulator's place, which runs no machine and only speaks QMP.

`quit` is the machine that switches itself off, `hang` gets no answer.
"""

from __future__ import annotations

import sys
from pathlib import Path

PROGRAM = """
import json, socket, sys, time
from pathlib import Path
folder, status = Path(sys.argv[1]), sys.argv[2]
servers = [socket.socket(socket.AF_UNIX) for _ in range(2)]
for server, name in zip(servers, ("tablet", "qmp")):
    server.bind(str(folder / name))
    server.listen()
stream = servers[1].accept()[0].makefile("rw")
def say(what):
    print(json.dumps(what), file=stream, flush=True)
say({"QMP": {}})
for line in stream:
    asked = json.loads(line)
    if asked["execute"] == "quit":
        break
    if asked["execute"] == "hang":
        time.sleep(60)
    say({"return": {"status": status}})
    if asked["execute"] == "device_del":
        say({"event": "DEVICE_DELETED", "data": {"device": asked["arguments"]["id"]}})
"""


def command(folder: Path, status: str = "running") -> list[str]:
    """Runs it; `status` is what it says of the machine."""
    return [sys.executable, "-c", PROGRAM, str(folder), status]
