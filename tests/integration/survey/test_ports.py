# SPDX-License-Identifier: GPL-3.0-or-later
"""The command listens on real terminals side by side, and never sends."""

from __future__ import annotations

import fcntl
import os
import re
import select
import termios
import time
from pathlib import Path
from random import Random

import pytest

from provision.survey.listening import read_port
from tests.support.command import Call, on_a_terminal
from tests.support.hull import Talker, binary, noise, wire
from tests.support.hull_ports import ports


def test_each_port_is_told_apart(call: Call) -> None:
    wires = [
        wire(Random(1), Talker(38400, ("RMC", "GGA"))),
        wire(Random(2), Talker(4800, ("MWV",), 0.5, wrong=0.01)),
        wire(Random(3), Talker(4800, ("DPT", "MTW"), inverted=True)),
        wire(Random(4), Talker(9600, (), make=binary)),
        noise(Random(5)),
        iter(()),
    ]
    begun = time.monotonic()
    with ports(*wires) as made:
        said = call("survey", *(f"--device={port.device}" for port in made), "--json")
    assert time.monotonic() - begun < 40
    assert said.status == 0, said.err
    gnss, wind, depth, sky, noisy, silent = said.result["ports"]
    assert [port["device"] for port in said.result["ports"]] == [port.device for port in made]

    assert (gnss["baud"], gnss["inverted"], gnss["noise"]) == (38400, False, False)
    assert gnss["sentences"] == {
        "GPGGA": pytest.approx(1, abs=0.2),
        "GPRMC": pytest.approx(1, abs=0.2),
    }
    assert gnss["looks_like"] == "GNSS receiver"
    assert (wind["baud"], wind["looks_like"]) == (4800, "wind instrument")
    assert (depth["baud"], depth["inverted"], depth["looks_like"]) == (4800, True, "echo sounder")
    assert (sky["baud"], sky["looks_like"]) == (9600, "binary GNSS protocol")
    assert (noisy["baud"], noisy["noise"], noisy["sentences"]) == (None, True, {})
    assert (silent["baud"], silent["noise"], silent["looks_like"]) == (None, False, None)
    assert all(port["error"] is None and port["serial"] is None for port in said.result["ports"])
    assert [port.sent for port in made] == [b""] * len(made)


def test_lines_without_a_terminal_and_a_table_at_the_end(call: Call) -> None:
    with ports(wire(Random(1), Talker(4800, ("HDG", "ROT"), 0.3))) as (port,):
        said = call("survey", "--device", port.device)
    assert f"{port.device}: trying 4800 baud\n{port.device}: 4800 baud\n" in said.err
    assert said.err.endswith(f"{port.device}: 4800 baud: compass\n")
    assert "compass" in said.out
    assert re.search(r"HCHDG 3(\.\d)?/s", said.out), said.out


def test_a_live_table_on_a_terminal() -> None:
    with ports(wire(Random(1), Talker(4800, ("HDG", "ROT"), 0.3))) as (port,):
        status, shown = on_a_terminal("survey", "--device", port.device)
    assert status == 0
    assert "hears" in shown
    assert "compass" in shown


def test_a_port_that_another_program_has_open_stops_no_other(call: Call) -> None:
    wires = [wire(Random(seed), Talker(4800, ("HDG", "ROT"), 0.3)) for seed in (1, 2)]
    with ports(*wires) as (taken, free):
        other = os.open(taken.device, os.O_RDWR | os.O_NOCTTY)
        fcntl.flock(other, fcntl.LOCK_EX)
        said = call("survey", "--device", taken.device, "--device", free.device, "--json")
        os.close(other)
    assert said.status == 1
    one, two = said.result["ports"]
    assert one["error"] == "another program has it open"
    assert (one["baud"], two["baud"], two["error"]) == (None, 4800, None)


def test_what_is_no_serial_port(call: Call, tmp_path: Path) -> None:
    said = call("survey", "--device", "/dev/null", "--json")
    assert said.result["ports"][0]["error"] == "it is no serial port"
    said = call("survey", "--device", tmp_path / "absent")
    assert (said.status, "is not there" in said.err) == (2, True)


def test_a_port_that_echoes_is_stopped_from_doing_so(call: Call) -> None:
    """As the kernel sets up a port that nothing has opened before."""
    with ports(wire(Random(1), Talker(4800, ("HDG", "ROT"), 0.3, start=2))) as (fresh,):
        slave = os.open(fresh.device, os.O_RDWR | os.O_NOCTTY)
        settings = termios.tcgetattr(slave)
        settings[3] |= termios.ECHO
        termios.tcsetattr(slave, termios.TCSANOW, settings)
        said = call("survey", "--device", fresh.device, "--json")
        assert not termios.tcgetattr(slave)[3] & termios.ECHO
        os.close(slave)
        assert said.result["ports"][0]["baud"] == 4800
        assert fresh.sent == b""


def test_bytes_that_are_flushed_after_they_came_are_none(monkeypatch: pytest.MonkeyPatch) -> None:
    """The other side of a line drops them when its baud rate changes."""
    master, slave = os.openpty()
    os.set_blocking(slave, False)
    settings = termios.tcgetattr(slave)
    settings[3] &= ~termios.ICANON
    termios.tcsetattr(slave, termios.TCSANOW, settings)
    try:
        monkeypatch.setattr(select, "select", lambda *_: ([slave], [], []))
        assert read_port(slave) == b""
        os.write(master, b"$")
        assert read_port(slave) == b"$"
    finally:
        os.close(master)
        os.close(slave)
