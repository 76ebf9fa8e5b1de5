# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the answer of the history's socket: one JSON object.

Seconds and bins count back from the moment of the answer; no time of day is told.

    format      1. It rises when a key is removed or changes its meaning
    sampled     seconds since the last sample, or null before the first one
    kept        card, memory (the profile has no log), or failing (the card takes no writes)
    clock       sure, or not sure: earlier starts may then be older than they seem
    day, month  the last 24 hours and the last thirty days:
        bin         seconds of a bin; lists have one entry for each, the present one last
        minutes     minutes of each bin in which the computer was on, and a sample was taken
        starts      starts of the computer in each bin
        power_cuts  those of them after a power cut, or null where it is not known
        figures     by name, of each bin: the greatest celsius (degrees), overlay and data (percent
                    taken), errors (of data's file system), readonly (1: data takes no writes); the
                    least memory (MiB free); the sum of written (KiB to the card), restarts (of the
                    feed) and of the minutes low (supply), slowed (by heat) and deaf (the feed did
                    not answer). A figure that the computer does not tell is left out
        links       by name, of each bin: minutes in which the link was not heard
        whole       the same of the whole period: minutes, starts, power_cuts, least, most, sums,
                    and of each link the minutes heard, garbled, silent and absent
    concerns    what somebody should look at: key, text, and action (what to do)
"""

from __future__ import annotations

from typing import Any

from provision.onboard.watch.answer.health import find_concerns
from provision.onboard.watch.answer.periods import PERIODS, describe_period
from provision.onboard.watch.memory.history import History

FORMAT = 1


def make_answer(
    history: History, now: float, *, sampled: float | None, kept: str
) -> dict[str, Any]:
    """Return the answer. `now` and `sampled` are in seconds since the computer started."""
    periods = {period.name: describe_period(history, period, now) for period in PERIODS}
    return {
        "format": FORMAT,
        "sampled": None if sampled is None else round(now - sampled, 1),
        "kept": kept,
        "clock": "sure" if history.present.sure else "not sure",
        **periods,
        "concerns": find_concerns(periods["day"], kept),
    }
