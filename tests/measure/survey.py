# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure a survey of all ports at once against the sum of what each port needs alone.

Hulls are drawn at random, with all instruments switched on, and plugged into a mount namespace of
this computer. The bytes come at their true pace.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from random import Random

from provision.bench.hull.schema import Hull
from tests.measure.figures import Amount, Ratio
from tests.support.random_hull import draw
from tests.support.usb_box import Box, plugged_in

HULLS = 3

COMMAND = [sys.executable, "-m", "provision", "survey", "--json"]


def powered(hull: Hull) -> Hull:
    """Return the hull with every instrument switched on."""
    content = hull.model_dump(mode="json")
    for adapter in content["adapters"].values():
        for instrument in adapter["instruments"]:
            instrument["powered"] = True
    return Hull.model_validate(content)


def seconds(box: Box, hull: Hull, ports: list[str], begun: float) -> float:
    """Return the seconds of a survey of these ports beyond the command's own start.

    Raise RuntimeError when a baud rate is not found.
    """
    words = [word for port in ports for word in ("--device", f"/dev/{port}")]
    begin = time.perf_counter()
    done = box.run(*COMMAND, *words, cwd=Path.cwd())
    taken = time.perf_counter() - begin - begun
    rates = [adapter.instruments[0].baud for adapter in hull.adapters.values()]
    found = [port["baud"] for port in json.loads(done.stdout)["ports"]]
    if len(ports) == len(rates) and sorted(found) != sorted(rates):
        raise RuntimeError(f"found {found}, not {rates}: {done.stderr}")
    return taken


def start() -> float:
    """Return the seconds that the command needs before it listens."""
    begin = time.perf_counter()
    subprocess.run([*COMMAND, "--help"], capture_output=True, check=True)
    return time.perf_counter() - begin


def main() -> None:
    """Print the figures."""
    together, alone, longest, begun = 0.0, 0.0, 0.0, start()
    for seed in range(HULLS):
        hull = powered(draw("kittiwake", Random(seed)))
        with (
            tempfile.TemporaryDirectory(prefix="measure-survey-") as work,
            plugged_in(hull, Path(work)) as box,
        ):
            taken = seconds(box, hull, [*box.lines], begun)
            each = [seconds(box, hull, [port], begun) for port in box.lines]
        together, alone, longest = together + taken, alone + sum(each), longest + max(each)
    what = f"survey of {HULLS} hulls, all ports side by side"
    print(Ratio(f"{what} / each port alone, summed", together, alone, 1.5).line())
    print(Ratio(f"{what} / the slowest port of each hull", together, longest, 1.5).line())
    print(Amount("a survey of a hull", together / HULLS, 30, "s").line())


if __name__ == "__main__":
    main()
