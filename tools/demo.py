# SPDX-License-Identifier: GPL-3.0-or-later
"""The main job from end to end on the bench, by the commands that a user would type.

One boat's profile becomes a card; the card boots in a virtual boat; a change is pushed to
it while it runs; the plug is pulled; each time the result is proven.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from rich.console import Console

from provision.bench.hold.control import send_command

BOAT = "kittiwake"

#: Characters of the boat's console that are shown when something fails.
TAIL = 3000
console = Console(highlight=False)
START = time.monotonic()


def say(text: str) -> None:
    """A heading, with the time since the start."""
    console.print(f"\n[bold]{time.monotonic() - START:5.0f} s  {text}[/bold]")


def provision(*arguments: str | Path, expect: int = 0) -> None:
    """Run one command as a user would, showing it."""
    words = list(map(str, arguments))
    console.print(f"$ provision {' '.join(words)}", style="cyan", markup=False)
    done = subprocess.run([sys.executable, "-m", "provision", *words], check=False)
    if done.returncode != expect:
        sys.exit(f"demo: that ended with status {done.returncode}, not {expect}")


@contextlib.contextmanager
def virtual_boat(*arguments: str | Path) -> Iterator[dict[str, Any]]:
    """A held bench, running beside this program until the end."""
    words = list(map(str, arguments))
    console.print(f"$ provision {' '.join(words)} &", style="cyan", markup=False)
    bench = subprocess.Popen(
        [sys.executable, "-m", "provision", *words], stdout=subprocess.PIPE, text=True
    )
    try:
        assert bench.stdout is not None
        text = ""
        for line in bench.stdout:
            text += line
            if line.rstrip() == "}":
                break
        else:
            sys.exit("demo: the bench did not start")
        boat = json.loads(text)
        try:
            yield boat
        except SystemExit:
            say("What the boat's console said last")
            printed = Path(boat["console"]).read_text(errors="replace")
            console.print(printed[-TAIL:], markup=False)
            raise
    finally:
        bench.terminate()
        bench.wait()


def obey(boat: dict[str, Any], command: str) -> None:
    """Give the held bench a command."""
    answer = send_command(Path(boat["control"]), command)
    console.print(f"bench: {command}: {answer}", markup=False)
    if answer != "ok":
        sys.exit(f"demo: the bench did not {command}")


def edit(file: Path, *changes: tuple[str, str]) -> None:
    """Change a profile as with an editor."""
    text = file.read_text()
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} is not once in {file}"
        text = text.replace(old, new)
        console.print(f"{file.name}:  [red]- {old}[/red]  [green]+ {new}[/green]")
    file.write_text(text)


def main() -> None:
    """The demonstration."""
    with tempfile.TemporaryDirectory(prefix="provision-demo-") as work:
        boats, card = Path(work) / "boats", Path(work) / f"{BOAT}.img"
        given = ("--boats", boats)
        say("A folder of boats of our own, and one boat's secrets")
        provision("init", "--example", boats)
        provision("keys", BOAT, *given)
        provision("check", BOAT, *given)
        say("Its card (the first time, the base is built; later it comes out of the cache)")
        provision("card", BOAT, *given, "-o", card)
        say("The card boots in the bench; a tablet joins the access point and hears the feed")
        with virtual_boat("bench", card, *given, "--hold", "--json") as boat:
            at = ("--at", f"{BOAT}={boat['ssh']['host']}:{boat['ssh']['port']}")
            console.print(f"the tablet: {boat['tablet']}", markup=False)
            say("The boat proves itself")
            provision("verify", BOAT, *given, *at)
            say("A change reaches the running boat: another SSID, a baud rate, a link's sentences")
            edit(
                boats / f"{BOAT}.yml",
                ("ssid: Kittiwake", "ssid: Kittiwake II"),
                ("serial: KW-DPTH-02}, baud: 4800", "serial: KW-DPTH-02}, baud: 9600"),
                ("listens: [APB, RMB, XTE]", "listens: [APB, RMB, XTE, VHW]"),
            )
            say("The echo sounder still sends at 4800 baud: the boat rolls back by itself")
            provision("push", BOAT, *given, *at, expect=1)
            say("It is set to 9600 baud, too, and the change is kept")
            obey(boat, "set-baud depth-log 9600")
            provision("push", BOAT, *given, *at)
            say("The same again: nothing to change")
            provision("push", BOAT, *given, *at)
            say("Somebody pulls the plug, and puts it back")
            obey(boat, "power-cut")
            obey(boat, "power-on")
            say("What was kept is still there")
            provision("verify", BOAT, *given, *at)
        say("Done")


if __name__ == "__main__":
    main()
