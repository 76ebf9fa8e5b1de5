# SPDX-License-Identifier: GPL-3.0-or-later
"""Random wires for the survey, listened to on a virtual clock.

`python -m tests.support.trials [TRIALS] [SEED]` prints what came of them.
"""

from __future__ import annotations

import statistics
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from random import Random

from provision.survey.search import Search
from provision.survey.shape import BAUD_RATES
from tests.support.hull import Edge, Talker, binary, noise, receive, wire

#: Seconds between two looks of the listener.
LOOK_S = 0.05

#: What instruments say in one go.
BURSTS = (
    ("RMC", "GGA", "VTG"),
    ("RMC",),
    ("GGA", "GSA", "GSV", "RMC"),
    ("DPT", "MTW"),
    ("DBT",),
    ("MWV",),
    ("MWV", "VWR"),
    ("HDG",),
    ("HDT", "ROT"),
    ("VHW", "DPT", "MWV", "HDG"),
    ("VDM",),
)


@dataclass(frozen=True)
class Trial:
    """A wire and the baud rates that may be found on it."""

    kind: str
    edges: Iterator[Edge]
    bauds: tuple[int, ...]
    inverted: bool
    waits_for_idle: bool
    tells_break: bool = True
    described: str = ""


@dataclass(frozen=True)
class Ended:
    """Holds how a trial ended."""

    trial: Trial
    search: Search

    @property
    def hit(self) -> bool:
        """Report whether what was found is what there was."""
        found = self.search.found
        if not self.trial.bauds:
            return found is None
        return found in self.trial.bauds and not self.wrong

    @property
    def wrong(self) -> bool:
        """Report whether a baud rate or a polarity was found that is not there."""
        found = self.search.found
        if found is None:
            return False
        inverted = self.search.evidence[found].is_inverted
        return found not in self.trial.bauds or inverted != self.trial.inverted


KINDS = (
    "plain",
    "errors",
    "rare",
    "pair",
    "inverted",
    "inverted rare",
    "binary",
    "slow",
    "noise",
    "silent",
)


def make(random: Random, kind: str) -> Trial:
    """Make a wire of a kind at random."""
    baud, burst = random.choice(BAUD_RATES), random.choice(BURSTS)
    longest = 60 * 10 / baud * (len(burst) + 2 * ("GSV" in burst))
    period = max(random.choice((0.1, 0.5, 1.0, 1.0, 2.0)), 1.1 * longest)
    drift, start = random.uniform(-0.015, 0.015), random.uniform(0, 2)
    waits = random.random() < 0.5
    if kind == "noise":
        mean = random.choice((1e-3, 1e-4, 2e-5))
        return Trial(kind, noise(random, mean), (), False, waits, described=f"{mean}")
    if kind == "silent":
        return Trial(kind, iter(()), (), False, waits)
    wrong = 0.01 if kind in ("errors", "pair") else 0.0
    if "rare" in kind:
        # One sentence in two seconds.
        burst, period, wrong = (random.choice(burst),), 2.0, random.choice((0.0, 0.01))
        if "GSV" in burst:
            burst = ("RMC",)
    if kind == "slow":
        burst, period, start = burst[:1], random.uniform(3, 6), random.uniform(0, 6)
    if kind == "binary":
        burst, period = (), max(1.0, 350 * 10 / baud)
    talker = Talker(
        *(baud, burst, period, wrong, "inverted" in kind, drift, start),
        make=binary if kind == "binary" else None,
    )
    talkers = [talker]
    if kind == "pair":
        talkers.append(Talker(baud, random.choice(BURSTS), random.uniform(0.7, 2.0), wrong))
    edges = wire(random, *talkers)
    said = f"{baud} {burst} {period:.2f} {drift:.3f}"
    return Trial(kind, edges, (baud,), talker.inverted, waits, random.random() < 0.8, said)


def run(trial: Trial, limit: float = 30.0) -> Ended:
    """Listen to a wire until the search is done."""
    receiver, search, now = (
        receive(trial.edges, trial.waits_for_idle, trial.tells_break),
        Search(0.0, limit),
        0.0,
    )
    baud = search.baud
    while not search.done:
        now += LOOK_S
        search.hear(receiver.read(baud, now), now)
        if search.baud != baud:
            baud = search.baud
            receiver.drop()
    return Ended(trial, search)


def figures(ended: list[Ended]) -> list[str]:
    """Write a line for each kind, and one for all: hits, wrong ones, simulated seconds."""
    lines = []
    for kind in (*KINDS, "all"):
        some = [one for one in ended if kind in (one.trial.kind, "all")]
        if not some:
            continue
        found = sorted(one.search.found_at for one in some if one.search.found_at is not None)
        whole = [one.search.ended for one in some]
        line = f"{kind:14} {sum(one.hit for one in some):4} of {len(some):4} right"
        line += f", {sum(one.wrong for one in some)} wrong"
        if found:
            line += f"; certain after {statistics.median(found):4.1f} s (median)"
            line += f", {found[int(len(found) * 0.95)]:4.1f} s (95 %), {found[-1]:4.1f} s (most)"
        lines.append(
            f"{line}; ended after {statistics.median(whole):4.1f}, {max(whole):4.1f} s (most)"
        )
    return lines


def trials(count: int, seed: int) -> list[Ended]:
    """Run so many trials, each kind as often as the others."""
    random = Random(seed)
    return [run(make(random, KINDS[number % len(KINDS)])) for number in range(count)]


def main(count: int = 360, seed: int = 1) -> None:
    """Run trials, print the figures, and describe each trial that found nothing."""
    ended = trials(count, seed)
    print("\n".join(figures(ended)))
    for one in ended:
        if not one.hit:
            found = one.search.found, one.search.supported()
            print(one.trial.kind, one.trial.described, one.trial.waits_for_idle, *found)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
