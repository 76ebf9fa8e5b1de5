# SPDX-License-Identifier: GPL-3.0-or-later
"""The power goes at any write of a new card's first minutes: she starts, grows, logs.

A boat starts for the first time while the emulator logs every write to her card. From the log the
states are rebuilt that a cut could have left. Each is repaired and read as at the next start.
"""

from __future__ import annotations

import json
import os
import shlex
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from provision.bench.bench import Bench
from provision.bench.qemu.build import CARD_BYTES
from provision.boards import board
from provision.card.layout.partitions import Layout
from provision.commands import run
from provision.render.archive import Settings
from tests.support.boats import PROCESSORS, Club, Virtual
from tests.support.profiles import change
from tests.system.cut_off import writelog
from tests.system.cut_off.cardstates import judge, rebuild
from tests.system.cut_off.whole_card import Found, last_partition, look
from tests.system.cut_off.writelog import SECTOR, Epoch, State
from tests.system.faults.fault import until

BOAT = "kittiwake"
#: How many states are looked at. `make power-cuts` asks for more.
STATES = int(os.environ.get("POWER_CUT_STATES", "60"))
SEED = int(os.environ.get("POWER_CUT_SEED", "20261128"))

#: Seconds between two writes of the log, instead of 300, and for how long it is written.
INTERVAL, LOGGING = 5, 60


@dataclass
class Recorded:
    """Holds a card before its first start, all that was written to it, and what came of it."""

    card: Path
    settings: Settings
    epochs: list[Epoch]
    work: Path
    line: str
    found: dict[State, Found] = field(default_factory=dict)

    def look(self, image: Path) -> Found:
        """Return what the boat would find."""
        return look(image, self.settings.sha256, second_copy="gpt" in self.line.split())


@pytest.fixture(scope="module")
def recorded(club: Club, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Recorded]:
    """Start a boat with a log for the first time, and judge each state of her card."""
    own = club.copy(tmp_path_factory.mktemp("power-cuts") / "boats")
    change(own.folder / f"{BOAT}.yml", ("links:\n", "log: {}\nlinks:\n"))
    built = own.open_boat(BOAT)
    log = own.folder / "writes.log"
    profile, secrets, image = built.boat.profile, built.secrets, own.card(BOAT)
    bench = Bench(profile, secrets, board("x86-64"), image, processors=PROCESSORS)
    bench.emulator.write_log = log
    with bench:
        bench.wait_for_ssh(600)
        line = live(Virtual(own, bench))
    work = own.folder / "states"
    work.mkdir()
    card = work / "card.img"
    _copy_table_and_data(image, Layout("gpt", built.render().sha256), card)
    epochs = writelog.read(log, 0, card.stat().st_size // SECTOR)
    there = Recorded(card, built.render(), epochs, work, line)
    states = writelog.states(epochs, 0, STATES, SEED)
    there.found = dict(judge(rebuild(card, epochs, states, work), there.look))
    yield there


def _copy_table_and_data(image: Path, layout: Layout, card: Path) -> None:
    """Copy what a start writes to. The base and the boot partition are only read."""
    with image.open("rb") as reading, card.open("wb") as writing:
        writing.truncate(CARD_BYTES)
        for offset, size in ((0, layout.boot.offset), (layout.data.offset, layout.data.size)):
            for start in range(offset, offset + size, 2**20):
                reading.seek(start)
                if (piece := reading.read(2**20)).strip(b"\0"):
                    writing.seek(start)
                    writing.write(piece)


def live(boat: Virtual) -> str:
    """Let the boat grow her data and write her log for a while. Return the kernel's parameters."""
    config = json.loads(boat.ask("cat /etc/boat/feed.json"))
    config["log"]["interval"] = INTERVAL
    text = shlex.quote(json.dumps(config))
    boat.ask(f"echo {text} > /etc/boat/feed.json && systemctl restart boat-feed")
    boat.ask("systemctl start boat-grow.service")
    assert int(boat.ask("findmnt -b -n -o SIZE /data")) > 2 * 10**9
    until(lambda: "gz" in boat.ask("ls /data/log", check=False), "the log", seconds=180)
    time.sleep(LOGGING)
    boat.ask("sync")
    return boat.ask("cat /proc/cmdline")


def described(state: State) -> str:
    return f"after {state.epochs} flushes, {len(state.parts)} writes since (seed {SEED})"


def test_every_state_starts_with_the_kept_settings(recorded: Recorded) -> None:
    """The table is found, the file system repaired, and the settings are whole."""
    wrong = {described(state): one.wrong for state, one in recorded.found.items() if one.wrong}
    sizes = Counter(one.size for one in recorded.found.values())
    print(f"\n{len(recorded.found)} states; data has {dict(sizes)} bytes")
    assert not wrong, json.dumps(wrong, indent=1)
    assert len(recorded.found) >= STATES
    assert len(sizes) == 2, "the states reach from before the growing to after it"


def test_no_log_is_damaged_beyond_its_last_member(recorded: Recorded) -> None:
    """What a flush made safe stays, and what is there is the beginning of what was written."""
    by_epoch = {state.epochs: one for state, one in recorded.found.items() if not state.parts}
    final = by_epoch[max(by_epoch)].lines or {}
    assert any(name.startswith("log/") and lines for name, lines in final.items())
    wrong = []
    for state, one in recorded.found.items():
        safe = by_epoch[state.epochs].lines or {}
        for name, lines in (one.lines or {}).items():
            if lines != final.get(name, ())[: len(lines)]:
                wrong.append(f"{described(state)}: {name} holds what was not written")
            if len(lines) < len(safe.get(name, ())):
                wrong.append(f"{described(state)}: {name} lost {len(safe[name]) - len(lines)}")
        wrong += [
            f"{described(state)}: {name} is gone" for name in safe.keys() - (one.lines or {}).keys()
        ]
    assert not wrong, "\n".join(wrong)


def test_a_damaged_table_is_seen(recorded: Recorded, tmp_path: Path) -> None:
    """The judge of tables finds no partition where no kernel would."""
    card = tmp_path / "card.img"
    run("cp", "--sparse=always", recorded.card, card)
    assert last_partition(card, second_copy=True)
    with card.open("r+b") as stream:
        stream.seek(2 * SECTOR)
        stream.write(b"damage")
    assert last_partition(card, second_copy=True) is None
