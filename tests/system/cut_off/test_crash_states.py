# SPDX-License-Identifier: GPL-3.0-or-later
"""The power goes during `boat-settings keep`, at every single write to the card.

One boat keeps settings three times while the emulator logs every write to its card. From the
log the states are rebuilt that a cut could have left; each is repaired and read as the boat
would at its next start, and some are started.
"""

from __future__ import annotations

import base64
import hashlib
import json
import random
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from provision.bench.bench import Bench
from provision.bench.qemu.machine import DirectBoot, NetworkWire
from provision.bench.qemu.process import Emulator
from provision.boards import board
from provision.card.image.identity import boot_partition
from provision.card.layout.bootloader import INITRAMFS, KERNEL, kernel_command_line
from provision.card.layout.filesystems import read_fat
from provision.card.layout.partitions import Layout, Partition
from provision.commands import run
from provision.render import File, Settings
from provision.render.archive import Entry
from tests.support.boats import Club, Virtual
from tests.system.cut_off import writelog
from tests.system.cut_off.cardstates import Chosen, Judge, cut_out, judge, put_in, rebuild
from tests.system.cut_off.writelog import SECTOR, Epoch, Kept, State, allowed

Launch = Callable[..., Virtual]

BOAT = "kittiwake"
STATES = 1000
BOOTS = 20
SEED = 20260101

#: What the profile says of one link, in the settings that are kept one after the other.
RATES = ("DPT: 1", "DPT: 3", "DPT: 4")

#: Put behind the card's own initramfs, which runs it instead of a shell for `break=bottom`:
#: right after the settings were chosen and unpacked.
REPORT = """{
    echo
    echo "chosen $(cat /run/boat/settings.json)"
    echo "manifest $(sha256sum < ${rootmnt}/etc/boat/manifest.json)"
} > /dev/console
sleep 0.2
echo o > /proc/sysrq-trigger
sleep 60
"""


@dataclass(frozen=True)
class Recorded:
    """Holds what happened to the card: its writes, and which keeps the boat acknowledged."""

    card: Path
    layout: Layout
    data: Path
    epochs: list[Epoch]
    kept: tuple[Kept, ...]
    settings: dict[str, Settings]
    judge: Judge
    work: Path

    @property
    def partition(self) -> Partition:
        """Return the data partition."""
        return self.layout.data

    def states(self) -> list[State]:
        """Return the states to look at."""
        return writelog.states(self.epochs, self.kept[0].began, STATES, SEED)

    def problems(self, state: State, chosen: Chosen) -> list[str]:
        """Return what is wrong with a state after a repair, by the keeps that were acknowledged."""
        may = allowed(self.judge.built, self.kept, state.latest)
        wrong = list(chosen.wrong)
        if chosen.choice != "kept" or chosen.digest not in may:
            names = ", ".join(sorted(digest[:12] for digest in may))
            wrong.append(f"{chosen.choice} {chosen.digest[:12]} is chosen, not kept {names}")
        return wrong


@pytest.fixture(scope="module")
def recorded(club: Club, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Recorded]:
    """Keep settings three times, and have every write to the card."""
    card = club.card(BOAT)
    folder = tmp_path_factory.mktemp("recorded")
    built = club.open_boat(BOAT)
    layout = Layout("gpt", built.render().sha256)
    settings = [_changed(club, folder / str(number), rate) for number, rate in enumerate(RATES)]
    chance = random.Random(SEED)
    others = {f"other/{n}": chance.randbytes(n) for n in (1, 700, 5_000, 300_000)}
    log = folder / "writes.log"
    bench = Bench(built.boat.profile, built.secrets, board("x86-64"), card, instruments=False)
    # The card as it was written: nothing grows beside what is looked at.
    run("qemu-img", "create", "-q", "-f", "qcow2", "-F", "raw",
        "-b", card.resolve(), bench.emulator.disk)  # fmt: skip
    bench.emulator.write_log = log
    with bench:
        bench.wait_for_ssh(600)
        boat = Virtual(club, bench)
        # Nothing but what is looked at is to write to the card from now on.
        boat.ask("systemctl stop boat-clock.timer")
        _put(boat, others)
        seed = boat.ask("base64 --wrap=0 /data/state/random-seed")
        others["state/random-seed"] = base64.b64decode(seed)
        kept = tuple(_keep(boat, one, log) for one in settings)
        # What the file system had put off.
        boat.ask("sync")
    partition = layout.data
    with tempfile.TemporaryDirectory(prefix="crash-states-", dir=_memory()) as work:
        data = Path(work, "data.img")
        cut_out(card, partition.offset, partition.size, data)
        yield Recorded(
            card=card,
            layout=layout,
            data=data,
            epochs=writelog.read(log, partition.offset // SECTOR, partition.size // SECTOR),
            kept=kept,
            settings={one.sha256: one for one in (built.render(), *settings)},
            judge=Judge(built.render().sha256, others),
            work=Path(work),
        )


def _memory() -> str | None:
    """Return a folder in memory where there is one: thousands of images are made and removed."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def _changed(club: Club, folder: Path, rate: str) -> Settings:
    copy = club.copy(folder)
    profile = copy.folder / f"{BOAT}.yml"
    text = profile.read_text()
    assert text.count("DPT: 2") == 1
    profile.write_text(text.replace("DPT: 2", rate))
    return copy.open_boat(BOAT).render()


def _put(boat: Virtual, files: dict[str, bytes]) -> None:
    """Have other files on the card, safely."""
    boat.ask("mkdir /data/other")
    for name, content in files.items():
        source = boat.bench.folder / "other"
        source.write_bytes(content)
        boat.put(source, f"/data/{name}")
    boat.ask("sync")


def _keep(boat: Virtual, settings: Settings, log: Path) -> Kept:
    """Put settings on trial and keep them, with the log's size before and after."""
    archive = boat.bench.folder / "trial.tar"
    archive.write_bytes(settings.archive)
    boat.put(archive, "/run/boat/incoming.tar")
    boat.ask(
        f"boat-settings trial /run/boat/incoming.tar --sha256 {settings.sha256} "
        "--seconds 600 --owner test"
    )
    began = log.stat().st_size
    boat.ask(f"boat-settings keep --sha256 {settings.sha256}")
    return Kept(settings.sha256, began, log.stat().st_size)


class Start:
    """Starts the card with another data partition, as far as its settings are unpacked."""

    def __init__(self, recorded: Recorded) -> None:
        self._offset = recorded.partition.offset
        self._work = recorded.work
        self.card = recorded.work / "card.img"
        run("cp", "--sparse=always", recorded.card, self.card)
        boot = boot_partition(self.card)
        kernel, initramfs = recorded.work / KERNEL, recorded.work / INITRAMFS
        kernel.write_bytes(read_fat(boot, KERNEL))
        own = read_fat(boot, INITRAMFS)
        # The kernel wants each archive at a multiple of four bytes.
        own += bytes(-len(own) % 4)
        initramfs.write_bytes(own + _report(recorded.work))
        kind = board("x86-64")
        self._board = kind.model_copy(
            update={"bench": kind.bench.model_copy(update={"start": "kernel"})}
        )
        # With panic= there would be no script in the place of a shell.
        line = [
            *(
                word
                for word in kernel_command_line(kind, recorded.layout).split()
                if not word.startswith("panic=")
            ),
            "break=bottom",
        ]
        self._direct = DirectBoot(kernel, initramfs, " ".join(line), None)

    def __call__(self, image: Path) -> tuple[dict[str, object], str]:
        """Return what /run/boat/settings.json says, and the digest of the new root's manifest."""
        put_in(image, self.card, self._offset)
        with tempfile.TemporaryDirectory(prefix="start-", dir=self._work) as work:
            disk = Path(work, "card.qcow2")
            run("qemu-img", "create", "-q", "-f", "qcow2", "-F", "raw", "-b", self.card, disk)
            wire = NetworkWire("10.0.2.0/24", "10.0.2.254", "10.0.2.253", ())
            emulator = Emulator(self._board, Path(work), disk, wire)
            emulator.direct = self._direct
            emulator.power_on()
            ended = emulator.wait_for_end(240)
            emulator.power_cut()
            said = emulator.console.read_text(errors="replace")
        assert ended, said
        words = dict(line.split(" ", 1) for line in said.splitlines() if " " in line)
        return json.loads(words["chosen"]), words["manifest"].split()[0]


def _report(folder: Path) -> bytes:
    """Return a second initramfs with the report."""
    tree = folder / "report"
    order = tree / "scripts" / "panic" / "ORDER"
    order.parent.mkdir(parents=True)
    order.write_text(REPORT)
    archive = folder / "report.cpio"
    run("cpio", "--quiet", "-o", "-H", "newc", "-R", "0:0", "-F", archive, cwd=tree,
        input="scripts\nscripts/panic\nscripts/panic/ORDER\n")  # fmt: skip
    return archive.read_bytes()


def test_every_state_is_repaired_and_chooses_whole_settings(recorded: Recorded) -> None:
    """At least 1,000 states lose nothing, and settings whose keep was acknowledged are chosen."""
    states = recorded.states()
    assert len(states) >= STATES
    judged = judge(rebuild(recorded.data, recorded.epochs, states, recorded.work), recorded.judge)
    wrong = {
        f"after {state.epochs} flushes, {len(state.parts)} writes since": problems
        for state, chosen in judged
        if (problems := recorded.problems(state, chosen))
    }
    chosen = Counter(one.digest[:12] for _, one in judged)
    flushes = sum(not state.parts for state in states)
    print(f"\n{len(states)} states, {flushes} of them right after a flush; chosen: {dict(chosen)}")
    assert not wrong, json.dumps(wrong, indent=1)
    # The states do reach from before the first keep to after the last one.
    assert set(chosen) == {digest[:12] for digest in recorded.settings}


def test_a_card_that_ignores_flushes_is_caught(recorded: Recorded) -> None:
    """The same judge over states that no honest card leaves: it must not find them well."""
    states = writelog.lying(recorded.epochs, recorded.kept[0].began, 60, SEED)
    judged = judge(rebuild(recorded.data, recorded.epochs, states, recorded.work), recorded.judge)
    caught = [state for state, chosen in judged if recorded.problems(state, chosen)]
    print(f"\n{len(caught)} of {len(states)} states of a lying card are caught")
    assert len(caught) >= 0.9 * len(states)


def test_the_boat_starts_from_such_states(recorded: Recorded) -> None:
    """The card's own kernel and initramfs choose what the states' judge says they choose."""
    states = recorded.states()
    # Spread over all epochs; the states in the middle of one come behind those at flushes.
    spread = sorted(states, key=lambda state: (state.latest, -len(state.parts)))
    some = [spread[number * len(spread) // BOOTS] for number in range(BOOTS)]
    start = Start(recorded)
    booted = Counter[str]()
    for state, image in rebuild(recorded.data, recorded.epochs, some, recorded.work):
        said, manifest = start(image)
        expected = recorded.judge(image)
        image.unlink()
        assert (said["choice"], said["sha256"]) == (expected.choice, expected.digest), state
        assert (said["degraded"], said["reason"]) == (False, "as kept"), said
        assert said["data"] in ("ok", "repaired"), said
        files = recorded.settings[expected.digest].files
        assert manifest == _sha256(files["/etc/boat/manifest.json"])
        booted[expected.digest[:12]] += 1
    print(f"\n{booted.total()} states started; chosen: {dict(booted)}")
    assert booted.total() == BOOTS
    assert len(booted) > 1


def test_a_boat_goes_on_from_such_a_state(recorded: Recorded, launch: Launch) -> None:
    """The boat of a cut-off card boots all the way, and can be changed."""
    acknowledged = recorded.kept[1].acknowledged
    during = [
        state for state in recorded.states() if recorded.kept[1].began < state.latest < acknowledged
    ]
    state = max(during, key=lambda state: (state.epochs == during[-1].epochs, len(state.parts)))
    card = recorded.work / "whole.img"
    run("cp", "--sparse=always", recorded.card, card)
    for _, image in rebuild(recorded.data, recorded.epochs, [state], recorded.work):
        put_in(image, card, recorded.partition.offset)
    boat = launch(BOAT, card)
    status = boat.status()
    assert status["live"] == status["kept"] == boat.chosen()["sha256"]
    assert (status["degraded"], status["kept_whole"], status["drift"]) == (False, True, [])
    assert boat.push(prove=False).succeeded
    assert boat.status()["kept"] == recorded.judge.built


def _sha256(file: Entry) -> str:
    assert isinstance(file, File)
    return hashlib.sha256(file.content).hexdigest()
