# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep a virtual boat running for people to play with."""

from __future__ import annotations

import contextlib
import json
import signal
import socket
import termios
from collections.abc import Iterator

from provision.bench.bench import Bench
from provision.bench.hold.client import CONTROL_SOCKET, WHERE_FILE
from provision.bench.hold.control import serve
from provision.errors import UserError
from provision.harmless import harmless
from provision.progress import step

COMMANDS = (
    "unplug LINK, plug LINK, switch-off LINK, switch-on LINK, set-baud LINK BAUD, power-cut, "
    "power-on, quit"
)


def hold(bench: Bench, as_json: bool) -> None:
    """Print how to reach the boat, and serve the control socket until `quit`, INT or TERM."""
    path = bench.folder / CONTROL_SOCKET
    with contextlib.closing(socket.socket(socket.AF_UNIX)) as server:
        server.bind(str(path))
        server.listen()
        where = {**bench.where(), "control": str(path), "tablet": _start_tablet(bench)}
        text = json.dumps(where, indent=2)
        (bench.folder / WHERE_FILE).write_text(text + "\n")
        print(text if as_json else harmless(_format(where)), flush=True)
        with _ended_by(signal.SIGTERM):
            serve(server, lambda words: run_command(bench, words), bench.emulator.check)


def _start_tablet(bench: Bench) -> dict[str, object]:
    """Wait until a tablet is on the boat's network and, if instruments talk, hears them."""
    with step("Starting the virtual boat"):
        bench.wait()
    with step("A tablet joins the access point"):
        joined = bench.join()
    heard = bench.read(lines=1)["lines"] if bench.talks else []
    return {"address": joined["address"], "heard": heard[:1]}


def _format(where: dict[str, object]) -> str:
    lines = []
    for key, value in where.items():
        if not value:
            continue
        text = value
        if isinstance(value, dict):
            text = ", ".join(f"{name} {one}" for name, one in value.items())
        lines.append(f"{key + ':':<10} {text}")
    return "\n".join([*lines, f"control takes: {COMMANDS}"])


@contextlib.contextmanager
def _ended_by(number: signal.Signals) -> Iterator[None]:
    """End in an orderly way on a signal, as on Ctrl-C."""

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(number, interrupt)
    try:
        with contextlib.suppress(KeyboardInterrupt):
            yield
    finally:
        signal.signal(number, before)


def run_command(bench: Bench, words: list[str]) -> str:
    """Run one line's command, and return the answer."""
    try:
        _run(bench, words)
    except UserError as error:
        # Put the emulator's message into one line.
        return f"error: {' '.join(error.message.split())}"
    return "ok"


def _run(bench: Bench, words: list[str]) -> None:
    match words:
        case [("unplug" | "plug") as verb, link]:
            if link not in bench.emulator.adapters:
                known = ", ".join(bench.emulator.adapters)
                raise UserError(f"no link {link} has an adapter here; those that have: {known}")
            (bench.unplug if verb == "unplug" else bench.plug)(link)
        case [("switch-off" | "switch-on") as verb, link]:
            if bench.instruments is None:
                raise UserError("other programs play the instruments of this bench")
            bench.instruments.switch(link, powered=verb == "switch-on")
        case ["set-baud", link, rate]:
            if not hasattr(termios, f"B{rate}"):
                raise UserError(f"{rate} is not a baud rate")
            bench.set_baud(link, int(rate))
        case ["power-cut"]:
            bench.power_cut()
        case ["power-on"]:
            if bench.emulator.running:
                raise UserError("the power is on")
            bench.power_on()
            bench.wait()
        case _:
            raise UserError(f"the commands are {COMMANDS}")
