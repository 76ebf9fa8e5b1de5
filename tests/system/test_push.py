# SPDX-License-Identifier: GPL-3.0-or-later
"""Changing a running boat: on trial first, kept only when proven, gone with the power before."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.push.result import Outcome
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


def test_a_fresh_boat_proves_itself(kittiwake: Virtual) -> None:
    """Every test of the suite passes on the card as it was built."""
    kittiwake.settle()
    proof = kittiwake.verify()
    assert proof.passed, proof.summary()


def test_what_is_on_trial_is_gone_with_the_power(kittiwake: Virtual, changed: Club) -> None:
    """Settings reach the running boat without a restart, and only keep makes them last."""
    kept = kittiwake.status()["kept"]
    settings = changed.open_boat("kittiwake").render()
    archive = kittiwake.bench.folder / "trial.tar"
    archive.write_bytes(settings.archive)
    started = kittiwake.ask("cat /proc/sys/kernel/random/boot_id")
    kittiwake.put(archive, "/run/boat/incoming.tar")
    kittiwake.ask(
        f"boat-settings trial /run/boat/incoming.tar --sha256 {settings.sha256} "
        "--seconds 600 --owner test"
    )
    status = kittiwake.status()
    assert (status["live"], status["kept"]) == (settings.sha256, kept)
    assert kittiwake.ask("cat /proc/sys/kernel/random/boot_id") == started
    assert "9600" in kittiwake.ask("stty -F /dev/boat/depth-log speed")
    kittiwake.power_cycle()
    status = kittiwake.status()
    assert (status["live"], status["kept"], status["trial"]) == (kept, kept, None)
    assert "4800" in kittiwake.ask("stty -F /dev/boat/depth-log speed")


def test_what_is_kept_survives_a_pulled_plug(kittiwake: Virtual, changed: Club) -> None:
    """The push proves and keeps; the plug is pulled; a tablet joins the new network."""
    kittiwake.bench.set_baud("depth-log", 9600)
    result = kittiwake.push(changed)
    assert result.outcome is Outcome.KEPT, result
    assert {"/etc/hostapd/boat.conf", "/etc/boat/feed.json"} <= set(result.changed)
    kittiwake.power_cycle()
    open_boat = changed.open_boat("kittiwake")
    assert kittiwake.status()["live"] == open_boat.render().sha256
    kittiwake.bench.profile = open_boat.boat.profile
    assert kittiwake.bench.join()["address"].startswith("10.47.1.")
    assert kittiwake.bench.read(seconds=20, lines=5)["lines"]
    kittiwake.settle()
    proof = kittiwake.verify(changed)
    assert proof.passed, proof.summary()


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
