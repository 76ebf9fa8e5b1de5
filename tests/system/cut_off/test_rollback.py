# SPDX-License-Identifier: GPL-3.0-or-later
"""After any fault in a push the boat answers on its kept settings, and is as it was.

One boat for all of them; each test brings in one fault, and leaves the boat as it was.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from provision.bench.qemu.ports import hold_port, port_of
from tests.support.boats import Club, Virtual
from tests.support.push.laptop import Laptop
from tests.support.push.lossy_link import LossyLink
from tests.support.push.rig import (
    ADDRESS,
    BEYOND,
    BOAT,
    TIMER,
    PushRig,
    Record,
    by_air,
    filled,
    locked_out,
    on_trial,
)
from tests.support.snapshot import snapshot
from tests.system.reporting import FIGURE

#: Where it moves to.
ELSEWHERE = "10.47.1.9"


@pytest.fixture(scope="module")
def rig(kittiwake: Virtual, tmp_path_factory: pytest.TempPathFactory) -> Iterator[PushRig]:
    """Give the boat that faults befall, with a tablet aboard."""
    folder = tmp_path_factory.mktemp("rig")
    kittiwake.bench.join()
    link = LossyLink(kittiwake.bench.folder / "relay", kittiwake.bench.ssh_port)
    yield PushRig(
        kittiwake,
        Laptop({ADDRESS: link}),
        kittiwake.status()["kept"],
        snapshot(kittiwake),
        folder,
    )
    link.close()


@pytest.fixture(autouse=True)
def link_is_there(rig: PushRig) -> Iterator[None]:
    """Begin each test with the laptop in reach."""
    yield
    rig.link.there = True


@pytest.fixture
def record(record_property: Callable[[str, object], None]) -> Record:
    """Has a lock-out told at the end: the fault, how long nobody was answered, the timer."""

    def tell(fault: str, seconds: float, timer: int = TIMER) -> None:
        over = f"{abs(seconds - timer):.0f} s {'less' if seconds < timer else 'more'}"
        record_property(
            FIGURE,
            f"lock-out, {fault}: no answer for {seconds:.0f} s, {over} than the timer of {timer} s",
        )

    return tell


def test_fault_wrong_address(rig: PushRig, record: Record) -> None:
    """The new address cannot be reached from where the laptop is."""
    wrong = rig.changed(("address: 10.47.1.1/24", "address: 10.99.1.1/24"))
    with locked_out(rig, "wrong address", record):
        result = rig.laptop.push(rig.job(wrong))
    assert result["outcome"] == "rolled-back", result
    rig.is_as_before()


def test_fault_firewall_blocks_ssh(rig: PushRig, record: Record) -> None:
    """The new firewall lets tablets in, and no SSH; not even what is connected already."""
    rules = rig.text("/etc/nftables.conf")
    blocked = rules.replace("{ 22, 53", "{ 53").replace(
        "ct state vmap { established : accept, related : accept, invalid : drop }",
        "tcp dport 22 drop",
        1,
    )
    assert blocked.count("tcp dport 22 drop") == 1
    assert "{ 53," in blocked
    with locked_out(rig, "firewall", record):
        result = rig.laptop.push(rig.job(files={"/etc/nftables.conf": blocked}))
    assert result["outcome"] == "rolled-back", result
    rig.is_as_before()


def test_fault_wrong_pass_phrase(rig: PushRig, record: Record) -> None:
    """The laptop is on the boat's Wi-Fi, and does not know the new pass-phrase.

    A tablet with the old one stands for the laptop's radio: while it cannot reach the boat,
    the laptop cannot either.
    """
    points = rig.text("/etc/hostapd/boat.conf")
    old = next(line for line in points.splitlines() if line.startswith("wpa_psk="))
    wrong = points.replace(old, "wpa_psk=" + "5a" * 32)
    with by_air(rig, rig.link) as air:
        result = rig.laptop.push(rig.job(files={"/etc/hostapd/boat.conf": wrong}))
    assert air.lost
    record("wrong pass-phrase", air.silence)
    assert result["outcome"] == "rolled-back", result
    rig.is_as_before()


def test_fault_radio_does_not_start(rig: PushRig, record: Record) -> None:
    """A channel that the country does not have: the boat rolls back before its timer."""
    points = rig.text("/etc/hostapd/boat.conf")
    wrong = points.replace("channel=6", "channel=14")
    assert wrong != points
    rig.boat.bench.join()
    job = rig.job(files={"/etc/hostapd/boat.conf": wrong}, timer=240)
    with by_air(rig) as air:
        result = rig.laptop.push(job)
    record("radio that does not start, by air", air.silence, 240)
    assert (result["outcome"], "hostapd" in result["reason"]) == ("rolled-back", True), result
    assert max(result["seconds"], air.silence) < 240
    rig.is_as_before()
    rig.boat.bench.join()


def test_fault_unit_fails(rig: PushRig) -> None:
    """A program that cannot run with its new configuration."""
    result = rig.laptop.push(rig.job(files={"/etc/boat/feed.json": "{"}, timer=240))
    assert (result["outcome"], "boat-feed" in result["reason"]) == ("rolled-back", True), result
    assert result["seconds"] < 240
    rig.is_as_before()


def test_fault_proof_fails(rig: PushRig) -> None:
    """All settings are applied, and one link is missing."""
    wrong = rig.changed(("KW-AISR-03", "KW-NONE-99"))
    result = rig.laptop.push(rig.job(wrong, prove=True, timer=240))
    assert (result["outcome"], "ais" in result["reason"]) == ("rolled-back", True), result
    rig.is_as_before()


@pytest.fixture(scope="module")
def another(rig: PushRig) -> Club:
    """Settings that are well, and change several parts of the boat."""
    return rig.changed(
        ("ssid: Kittiwake", "ssid: Kittiwake two"),
        ("talks: {DPT: 2, VHW: 1}", "talks: {DPT: 2, VHW: 1}, unchecked: true"),
        ("listens: [APB, RMB, XTE]", "listens: [APB, RMB, XTE, VHW]"),
    )


@pytest.mark.parametrize("step", ["preflight", "trial", "prove", "keep", "rollback"])
def test_fault_laptop_killed(rig: PushRig, another: Club, step: str) -> None:
    """SIGKILL for the whole laptop as the step begins."""
    files = {"/etc/boat/feed.json": "{"} if step == "rollback" else {}
    running = rig.laptop.start(rig.job(another, prove=step == "prove", files=files))
    running.wait_for(step)
    running.kill()
    goes_home(rig, another)


@pytest.mark.parametrize("step", ["preflight", "trial", "prove", "keep", "rollback"])
def test_fault_power_cut(rig: PushRig, another: Club, step: str) -> None:
    """The plug is pulled as the step begins, and put back; the push says how it ended."""
    club, timer = another, 90
    if step == "rollback":
        # What runs, and cannot be proven; the proof takes its time.
        club, timer = rig.changed(("KW-AISR-03", "KW-NONE-99")), 240
    prove = step in ("prove", "rollback")
    running = rig.laptop.start(rig.job(club, prove=prove, timer=timer))
    running.wait_for(step)
    rig.boat.power_cycle()
    result = running.result()
    status = rig.settled()
    new = club.open_boat(BOAT).render().sha256
    assert (result["outcome"] == "kept") == (status["kept"] == new), result
    assert result["outcome"] in ("kept", "rolled-back", "unreachable"), result
    goes_home(rig, club)


def goes_home(rig: PushRig, club: Club) -> None:
    """Is as before, unless the settings were kept already; then it is pushed back to them."""
    status = rig.settled()
    new = club.open_boat(BOAT).render().sha256
    if status["kept"] == new:
        assert (status["live"], status["drift"]) == (new, [])
        assert rig.laptop.push(rig.job(timer=240))["outcome"] == "kept"
    rig.is_as_before()


def test_fault_link_lost_while_copying(rig: PushRig, another: Club, record: Record) -> None:
    """The laptop walks out of reach in the middle of the archive."""
    running = rig.laptop.start(rig.job(another))
    running.wait_for("trial")
    size = len(another.open_boat(BOAT).render().archive)
    rig.link.lose_after(size // 2)
    result = running.result()
    assert not rig.link.there
    rig.boat.hang_up()
    rig.link.there, back = True, time.monotonic()
    assert rig.settled()["live"] == rig.kept
    record("link lost while copying, from when it was back", time.monotonic() - back)
    assert result["outcome"] == "unreachable", result
    assert rig.boat.status()["trial"] is None
    rig.is_as_before()


def test_fault_archive_damaged(rig: PushRig, another: Club) -> None:
    """The archive that arrives is not the one that was sent."""
    result = rig.laptop.push(rig.job(another, damaged=True))
    assert (result["outcome"], "SHA-256" in result["reason"]) == ("rolled-back", True), result
    rig.is_as_before()


def test_fault_memory_full(rig: PushRig, another: Club) -> None:
    """No room in the RAM overlay: the trial is refused before anything is touched."""
    with filled(rig.boat, "/var/tmp", 300):
        result = rig.laptop.push(rig.job(another))
        assert (result["outcome"], "in RAM" in result["reason"]) == ("rolled-back", True), result
        assert rig.boat.status()["drift"] == []
    rig.is_as_before()


def test_fault_memory_full_on_trial(rig: PushRig, another: Club) -> None:
    """The RAM overlay fills up while settings are on trial: the return has room all the same."""
    on_trial(rig, another, TIMER)
    with filled(rig.boat, "/var/tmp", 0):
        rig.boat.ask("yes > /var/tmp/rest", check=False)
        free = rig.boat.ask("df --output=avail -k / | tail -n 1")
        assert int(free) == 0
        status = rig.settled()
        assert (status["live"], status["drift"]) == (rig.kept, [])
        rig.boat.ask("rm -f /var/tmp/rest")
    rig.is_as_before()


def test_fault_clock_steps_on_trial(rig: PushRig, another: Club) -> None:
    """Ten minutes on and twenty back: the boat rolls back neither sooner for it nor later."""
    begun = time.monotonic()
    on_trial(rig, another, TIMER)
    try:
        rig.boat.ask("date --set='+10 min'")
        trial = rig.boat.status()["trial"]
        assert trial is not None
        assert trial["seconds_left"] <= TIMER
        rig.boat.ask("date --set='-20 min'")
        assert rig.settled(TIMER + BEYOND)["live"] == rig.kept
        assert time.monotonic() - begun >= TIMER - 1
    finally:
        rig.boat.ask(f"date --set=@{time.time():.2f}")
    rig.is_as_before()


def test_fault_data_full_at_keep(rig: PushRig, another: Club) -> None:
    """The card has no room for the archive."""
    with filled(rig.boat, "/data", 100):
        result = rig.laptop.push(rig.job(another, timer=240))
        assert result["outcome"] == "rolled-back", result
        assert (result["step"], "bytes free" in result["reason"]) == ("keep", True), result
    rig.is_as_before()


def test_fault_data_read_only_at_keep(rig: PushRig, another: Club) -> None:
    """The card takes no writes any more: nothing is kept, and the timer rolls the boat back."""
    new = on_trial(rig, another, TIMER)
    rig.boat.ask("mount -o remount,ro /data")
    try:
        said = rig.boat.ask(f"boat-settings keep --sha256 {new}; echo status $?")
        assert "nothing was kept" in said
        assert "status 3" in said
        status = rig.settled()
        assert (status["live"], status["drift"]) == (rig.kept, [])
    finally:
        rig.boat.ask("mount -o remount,rw /data")
    rig.is_as_before()


@contextmanager
def at_another_place(rig: PushRig) -> Iterator[tuple[Laptop, Virtual]]:
    """Give a laptop that reaches the other address as well, and the boat as it is found there.

    At the end the boat is brought home.
    """
    bench = rig.boat.bench
    profile, port = bench.profile, bench.ssh_port
    with hold_port() as held:
        line = f"hostfwd_add wire tcp:127.0.0.1:{port_of(held)}-{ELSEWHERE}:22"
        bench.emulator.qmp.command("human-monitor-command", **{"command-line": line})
        link = LossyLink(bench.folder / f"relay-{port_of(held)}", port_of(held))
        laptop = Laptop({**rig.laptop.links, ELSEWHERE: link})
        # Connections to an address that the boat leaves are as good as dead.
        rig.boat.hang_up()
        bench.ssh_port = port_of(held)
        there = Virtual(rig.boat.club, bench)
        try:
            yield laptop, there
        finally:
            there.hang_up()
            result = laptop.push(rig.job(at=ELSEWHERE, timer=240))
            bench.ssh_port, bench.profile = port, profile
            link.close()
        assert result["outcome"] == "kept", result


def test_the_boat_moves_to_another_address(rig: PushRig) -> None:
    """The push finds the boat at its new endpoint, proves and keeps. Then the boat moves back."""
    moved = rig.changed(
        (f"address: {ADDRESS}/24", f"address: {ELSEWHERE}/24"),
        ("ssid: Kittiwake", "ssid: Kittiwake nine"),
    )
    open_boat = moved.open_boat(BOAT)
    with at_another_place(rig) as (laptop, there):
        result = laptop.push(rig.job(moved, prove=True, timer=240))
        assert result["outcome"] == "kept", result
        status = there.status()
        assert status["live"] == status["kept"] == open_boat.render().sha256
        assert (status["drift"], status["trial"]) == ([], None)
        there.bench.profile = open_boat.boat.profile
        assert there.bench.join()["address"].startswith("10.47.1.")
    rig.is_as_before()
    rig.boat.bench.join()
