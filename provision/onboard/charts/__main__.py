# SPDX-License-Identifier: GPL-3.0-or-later
"""boat-charts: mount a stick, copy its charts, unmount it; or serve all charts.

boat-charts --mount NAME | --copy NAME | --unmount NAME | --serve, each with [--config FILE]

NAME is the kernel's name of a partition, such as sda1. For any stick --copy ends with 0: what came
of it stands in the state's file.
"""

from __future__ import annotations

import getopt
import os
import signal
import sys

CONFIG = "/etc/boat/charts.json"
STATE = "/run/boat-charts/state.json"

USAGE = "usage: boat-charts --mount | --copy | --unmount NAME, or --serve [--config FILE]\n"

_OPTIONS = ["help", "mount=", "copy=", "unmount=", "serve", "config="]


def main(arguments: list[str]) -> int:
    """Return the exit status: 0 success, 1 could not run, 2 wrong use."""
    try:
        options, rest = getopt.getopt(arguments, "h", _OPTIONS)
    except getopt.GetoptError as error:
        sys.stderr.write(f"boat-charts: {error}\n{USAGE}")
        return 2
    chosen = dict(options)
    config = chosen.pop("--config", CONFIG)
    if rest or len(chosen) != 1 or "-h" in chosen or "--help" in chosen:
        sys.stdout.write(USAGE)
        return 0 if "-h" in chosen or "--help" in chosen else 2
    ((action, name),) = chosen.items()
    try:
        return _serve(config) if action == "--serve" else _handle(action, name, config)
    except (OSError, ValueError) as error:
        sys.stderr.write(f"boat-charts: {error}\n")
        return 1
    except KeyboardInterrupt:
        return 0


def _handle(action: str, name: str, config: str) -> int:
    from provision.onboard.charts.stick import mount  # noqa: PLC0415

    if action == "--copy":
        return _copy(name, config)
    try:
        (mount.mount if action == "--mount" else mount.unmount)(name)
    except mount.NotMounted as error:
        sys.stderr.write(f"boat-charts: {error}\n")
        return 1
    return 0


def _copy(name: str, path: str) -> int:
    """Copy from a mounted stick. One that could not be mounted is named in the state."""
    from provision.onboard.charts.config import load  # noqa: PLC0415
    from provision.onboard.charts.keep.copy import copy_stick  # noqa: PLC0415
    from provision.onboard.charts.state import State, StateFile  # noqa: PLC0415
    from provision.onboard.charts.stick.mount import POINTS  # noqa: PLC0415

    # systemd ends a copy so when the stick is pulled out.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    config, report = load(path), StateFile(STATE)
    point = str(POINTS / os.path.basename(name))
    if not os.path.ismount(point):
        report.write(State("refused", "not-readable", cap=config.cap))
        return 0
    state = copy_stick(point, config, report)
    sys.stderr.write(
        f"boat-charts: {name}: {state.phase} {state.reason}, {state.files} of {state.of_files} "
        f"copied, {state.same} there already, {state.left_out} left out\n"
    )
    return 0


def _serve(path: str) -> int:
    import asyncio  # noqa: PLC0415

    from provision.onboard.charts.config import load  # noqa: PLC0415
    from provision.onboard.charts.serve.server import run  # noqa: PLC0415

    asyncio.run(run(load(path)))
    return 0


if __name__ == "__main__":
    # The program never speaks TLS, but asyncio would load it: 4 MB of a small computer's memory.
    sys.modules.setdefault("ssl", None)  # type: ignore[arg-type]
    sys.exit(main(sys.argv[1:]))
