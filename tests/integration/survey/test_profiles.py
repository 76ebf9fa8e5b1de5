# SPDX-License-Identifier: GPL-3.0-or-later
"""From wires to a checked profile through the command, without editing a file."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random

import pytest

from provision.profile import load
from provision.survey import adapters
from provision.survey.adapters import Adapter
from tests.support.command import Call, on_a_terminal
from tests.support.hull import Edge, Talker, noise, wire
from tests.support.hull_ports import Port, ports


@contextmanager
def plugged(
    monkeypatch: pytest.MonkeyPatch, wires: dict[str, Iterator[Edge]]
) -> Iterator[dict[str, Port]]:
    """Put each wire behind an adapter with a serial number. Without one it has only a socket."""
    with ports(*wires.values()) as made:
        found = {
            port.device: Adapter(port.device, serial.strip("-"), f"1-1.{number}", 0)
            for number, (serial, port) in enumerate(zip(wires, made, strict=True), 1)
        }
        monkeypatch.setattr(adapters, "find_adapters", lambda *_: [*found.values()])
        monkeypatch.setattr(
            adapters, "describe", lambda device, *_: found.get(str(device), Adapter(str(device)))
        )
        yield dict(zip(wires, made, strict=True))


def test_a_box_of_adapters_becomes_a_checked_profile(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "boats"
    wires = {
        "TN-GNSS-01": wire(Random(1), Talker(38400, ("RMC", "GGA", "VTG"))),
        "-": wire(Random(2), Talker(4800, ("MWV",), 0.5)),
        "TN-DPTH-03": wire(Random(3), Talker(2400, ("DPT",), 1.0)),
        "TN-DEAD-04": iter(()),
    }
    words = ("--new", "tern", "--boats", folder, "--board", "x86-64", "--country", "NL")
    with plugged(monkeypatch, wires) as made:
        said = call("survey", *words, "--json")
        assert [port.sent for port in made.values()] == [b""] * len(made)
    assert said.status == 0, said.err
    assert said.result["profile"]["links"] == ["gnss", "wind", "depth"]
    assert said.result["profile"]["unknown"] == ["unknown"]

    checked = call("check", "tern", "--boats", folder)
    assert (checked.status, checked.out) == (0, "no mistake found in tern\n")
    links = load.read(folder / "tern.yml").profile.serial_links
    assert {name: (str(link.adapter), link.baud) for name, link in links.items()} == {
        "gnss": ("serial TN-GNSS-01", 38400),
        "wind": ("port 1-1.2", 4800),
        "depth": ("serial TN-DPTH-03", 2400),
    }
    assert [[*link.talks] for link in links.values()] == [["GGA", "RMC", "VTG"], ["MWV"], ["DPT"]]
    text = (folder / "tern.yml").read_text()
    assert "  # unknown: {adapter: {serial: TN-DEAD-04}, baud: 4800, talks: [RMC]}\n" in text

    # A boat that has a file is not surveyed into a new one.
    with plugged(monkeypatch, {"TN-GNSS-01": iter(())}):
        again = call("survey", *words)
    assert (again.status, "stays as it is" in again.err) == (2, True)
    assert (folder / "tern.yml").read_text() == text


def test_what_is_wrong_in_a_profile_is_corrected(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "boats"
    call("init", "--example", folder)
    file = folder / "turnstone.yml"
    before = file.read_text()
    wires = {
        # The profile has 4800 baud.
        "TS-GNSS-01": wire(Random(1), Talker(9600, ("RMC", "GGA", "VTG"))),
        # A new adapter with the sentences of TS-DPTH-02.
        "NEW-2": wire(Random(2), Talker(4800, ("DPT", "VHW", "MTW"))),
        "NEW-3": wire(Random(3), Talker(38400, ("HDG", "ROT"), 0.2)),
        "NEW-4": noise(Random(4)),
    }
    with plugged(monkeypatch, wires):
        said = call("survey", "--into", "turnstone", "--boats", folder, "--yes")
    assert said.status == 0, said.err
    after = file.read_text()
    corrected = before.replace("TS-GNSS-01}, baud: 4800", "TS-GNSS-01}, baud: 9600")
    corrected = corrected.replace("TS-DPTH-02", "NEW-2")
    assert after.startswith(corrected)
    added = after.removeprefix(corrected).splitlines()
    assert all(line.startswith("  # ") for line in added[:-1])
    assert added[-1] == (
        "  compass:   {adapter: {serial: NEW-3}, baud: 38400, talks: {HDG: 5, ROT: 5}}"
    )
    assert "wind: port 1-1.3 is the boat's own socket; left as it is" in said.out
    assert "noise, and in no link" in said.out
    assert call("check", "turnstone", "--boats", folder).status == 0


def test_the_board_is_asked_on_a_terminal(tmp_path: Path) -> None:
    """And a port that no profile can name makes none."""
    with ports(wire(Random(1), Talker(4800, ("HDG", "ROT"), 0.3))) as (port,):
        words = ("survey", "--new", "tern", "--boats", tmp_path / "boats", "--device", port.device)
        status, shown = on_a_terminal(*words, types=("x86-64", "NL"))
    assert "UEFI mini PC" in shown
    assert "compass" in shown
    assert "no instrument was heard on a USB adapter" in shown
    assert status == 2
    assert not (tmp_path / "boats").exists()


def test_a_first_boat_is_corrected_by_the_survey_that_comes_next(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What init guesses of the receiver gives way to what is heard, and the rest is added."""
    folder = tmp_path / "boats"
    call("init", folder, "--boat", "tern", "--board", "x86-64", "--country", "FR")
    wires = {
        "TN-GNSS-01": wire(Random(1), Talker(38400, ("RMC", "GGA", "VTG"))),
        "TN-WIND-02": wire(Random(2), Talker(4800, ("MWV",))),
    }
    # The socket was a guess: is that the instrument? And: change the file?
    monkeypatch.setattr(sys, "stdin", io.StringIO("y\ny\n"))
    report = tmp_path / "report.html"
    with plugged(monkeypatch, wires):
        said = call("survey", "--into", folder / "tern.yml", "--report", report)
    assert said.status == 0, said.err
    assert "<h1><bdi>Both ports bring data</bdi></h1>" in report.read_text()
    # What became of the profile stands on the page, too.
    (became,) = [line.strip() for line in said.out.splitlines() if line.endswith(" changed")]
    assert became.startswith(str(folder / "tern.yml")) and became in report.read_text()
    links = load.read(folder / "tern.yml").profile.serial_links
    assert (links["gnss"].adapter.serial, links["gnss"].baud) == ("TN-GNSS-01", 38400)
    assert links["wind"].adapter.serial == "TN-WIND-02"
    assert call("check", "tern", "--boats", folder).status == 0
