# SPDX-License-Identifier: GPL-3.0-or-later
"""Changing a running boat: on trial first, kept only when proven, gone with the power before."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.push.result import Outcome
from provision.render import Settings
from tests.support.boats import Club, Virtual
from tests.support.profiles import change


@pytest.fixture(scope="module")
def changed(club: Club, tmp_path_factory: pytest.TempPathFactory) -> Club:
    """Give the same boat with another SSID, another baud rate and a link more."""
    copy = club.copy(tmp_path_factory.mktemp("changed") / "boats")
    change(
        copy.folder / "kittiwake.yml",
        ("ssid: Kittiwake", 'ssid: "Kittiwake \U0001f426 #2"'),
        ("serial: KW-DPTH-02}, baud: 4800", "serial: KW-DPTH-02}, baud: 9600"),
        ("listens: [APB, RMB, XTE]", "listens: [APB, RMB, XTE, VHW]"),
    )
    return copy


def test_a_pulled_plug(kittiwake: Virtual, changed: Club, club: Club) -> None:
    """What a push has proven and kept survives it, and what is on trial then is gone.

    Settings reach the running boat without a restart.
    """
    kittiwake.bench.set_baud("depth-log", 9600)
    result = kittiwake.push(changed)
    assert result.outcome is Outcome.KEPT, result
    assert {"/etc/hostapd/boat.conf", "/etc/boat/feed.json"} <= set(result.changed)
    kept = changed.open_boat("kittiwake").render().sha256
    put_on_trial(kittiwake, club.open_boat("kittiwake").render())
    kittiwake.power_cycle()
    status = kittiwake.status()
    assert (status["live"], status["kept"], status["trial"]) == (kept, kept, None)
    assert "9600" in kittiwake.ask("stty -F /dev/boat/depth-log speed")
    kittiwake.bench.profile = changed.open_boat("kittiwake").boat.profile
    assert kittiwake.bench.join()["address"].startswith("10.47.1.")
    assert kittiwake.bench.read(seconds=20, lines=5)["lines"]
    kittiwake.settle()
    proof = kittiwake.verify(changed)
    assert proof.passed, proof.summary()


def put_on_trial(boat: Virtual, settings: Settings) -> None:
    """Put settings with another baud rate on trial, for longer than the test."""
    kept = boat.status()["kept"]
    archive = boat.bench.folder / "trial.tar"
    archive.write_bytes(settings.archive)
    started = boat.ask("cat /proc/sys/kernel/random/boot_id")
    boat.put(archive, "/run/boat/incoming.tar")
    boat.ask(
        f"boat-settings trial /run/boat/incoming.tar --sha256 {settings.sha256} "
        "--seconds 600 --owner test"
    )
    status = boat.status()
    assert (status["live"], status["kept"]) == (settings.sha256, kept)
    assert boat.ask("cat /proc/sys/kernel/random/boot_id") == started
    assert "4800" in boat.ask("stty -F /dev/boat/depth-log speed")


def test_settings_that_fail_their_proof_are_rolled_back(
    kittiwake: Virtual, changed: Club, tmp_path: Path
) -> None:
    """A link that is not there cannot be proven; the boat rolls back to what it had kept."""
    kept = kittiwake.status()["kept"]
    wrong = changed.copy(tmp_path / "wrong")
    profile = wrong.folder / "kittiwake.yml"
    profile.write_text(profile.read_text().replace("KW-AISR-03", "KW-NONE-99"))
    result = kittiwake.push(wrong)
    assert result.outcome is Outcome.ROLLED_BACK, result
    assert "ais" in result.reason
    status = kittiwake.status()
    assert (status["live"], status["kept"], status["trial"], status["drift"]) == (
        kept,
        kept,
        None,
        [],
    )
