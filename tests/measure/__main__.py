# SPDX-License-Identifier: GPL-3.0-or-later
"""Run all measurements, and print a table that names the machine.

python -m tests.measure [NAME...]
"""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
from pathlib import Path

from rich.console import Console
from rich.table import Table

KINDS = (
    *("start", "bases", "card", "write", "boot", "feed", "feed_soak", "tablets", "push", "fleet"),
    "survey",
)


def machine() -> str:
    """Describe this machine in a few words."""
    model = "unknown processor"
    for line in Path("/proc/cpuinfo").read_text().splitlines():
        if line.startswith("model name"):
            model = line.split(":", 1)[1].strip()
            break
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    system = platform.freedesktop_os_release()["PRETTY_NAME"]
    return f"{os.cpu_count()} cores of {model}, {memory:.0f} GiB, {system}"


def main() -> int:
    """Run the measurements named, or all."""
    table = Table("what", "ours", "theirs", "ratio", "aim", title=machine())
    failed = False
    for kind in sys.argv[1:] or KINDS:
        done = subprocess.run(
            [sys.executable, "-m", f"tests.measure.{kind}"],
            stdout=subprocess.PIPE,
            text=True,
            check=False,
        )
        failed |= done.returncode != 0
        for line in done.stdout.splitlines():
            if not line.startswith("{"):
                continue
            one = json.loads(line)
            unit = one.get("unit", "")
            if "ratio" in one:
                cells = [f"{one['ours']:.3g} {unit}", f"{one['theirs']:.3g} {unit}"]
                table.add_row(one["name"], *cells, f"{one['ratio']:.2f}", str(one["aim"]))
            else:
                table.add_row(one["name"], f"{one['amount']} {unit}", "", "", str(one["aim"]))
    Console(width=120).print(table)
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
