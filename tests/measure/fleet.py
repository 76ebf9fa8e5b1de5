# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure a roll-out over 200 boats, of which 10 are off and 5 fail their proof.

The boats are in namespaces of this machine. What they do costs the machine's time, but not the
laptop's: the processor time and memory are those of the command and of all that it starts.
"""

from __future__ import annotations

import json
import os
import resource
import tempfile
import threading
import time
from pathlib import Path

from tests.measure.figures import Amount
from tests.support.push.netns_fleet import NetnsFleet, netns_fleet, profile

COUNT, OFF, FAILING = 200, 10, 5

#: Seconds between two looks at the memory in use.
LOOK_S = 0.5

#: What no boat of ours has, and the suite does not let pass.
LOGIN = "printf 'guest:$y$j9T$abc$def:19000:0:99999:7:::\\n' >>/etc/shadow"


class Memory:
    """Watch the memory of a process and of all below it, as the sum of their shares (PSS)."""

    def __init__(self, pid: int) -> None:
        self._pid, self._stop = pid, threading.Event()
        self.most = 0
        """Bytes."""
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._stop.wait(LOOK_S):
            self.most = max(self.most, sum(map(_share, _tree(self._pid))))


def _tree(pid: int) -> list[int]:
    found, waiting = [], [pid]
    while waiting:
        one = waiting.pop()
        found.append(one)
        for task in Path(f"/proc/{one}/task").glob("*/children"):
            try:
                waiting += map(int, task.read_text().split())
            except OSError:
                continue
    return found


def _share(pid: int) -> int:
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0
    return sum(int(line.split()[1]) * 1024 for line in lines if line.startswith("Pss:"))


def roll_out(fleet: NetnsFleet, names: list[str]) -> None:
    """Push to all boats, print the figures. Raise RuntimeError when the table is not right."""
    off, failing = names[:OFF], names[OFF : OFF + FAILING]
    fleet.switch_off(off)
    for name in failing:
        fleet.aboard(name, "sh", "-c", LOGIN)
    for name in names:
        fleet.change(name, f"{name} two", "network", "access_point", "ssid")
    before, begin = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    with fleet.start("push", "--all", "--json", "--timer", "900") as process:
        memory = Memory(process.pid)
        output, errors = process.communicate()
        memory.stop()
    taken, after = time.monotonic() - begin, resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    found = {boat["boat"]: boat["outcome"] for boat in json.loads(output)["boats"]}
    wanted = {
        name: "unreachable" if name in off else "rolled-back" if name in failing else "kept"
        for name in names
    }
    if found != wanted:
        wrong = {name: found.get(name) for name in names if found.get(name) != wanted[name]}
        raise RuntimeError(f"the table is wrong: {wrong} {errors[-2000:]}")
    what = f"a roll-out over {COUNT} boats, {OFF} off, {FAILING} that fail"
    print(Amount(f"{what}: processor time a boat", used / COUNT, 1.0, "s").line())
    print(Amount(f"{what}: whole time a boat", taken / COUNT, 60, "s").line())
    print(Amount(f"{what}: memory of the laptop", memory.most / 2**20, 1024, "MiB").line())


def main() -> None:
    """Print the figures."""
    names = [f"boat-{number:03}" for number in range(COUNT)]
    profiles = {name: profile(name, number) for number, name in enumerate(names)}
    os.environ.setdefault("PYTHONUNBUFFERED", "1")
    with (
        tempfile.TemporaryDirectory(prefix="m-") as work,
        netns_fleet(Path(work) / "f", profiles) as fleet,
    ):
        for start in range(0, COUNT, 20):
            fleet.switch_on(names[start : start + 20])
        roll_out(fleet, names)


if __name__ == "__main__":
    main()
