# SPDX-License-Identifier: GPL-3.0-or-later
"""Define a sample: what one minute was like."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

#: The figures of a sample, by how those of many minutes become one: the least, the greatest, the
#: sum. None stands for what the computer does not tell.
#:   celsius   degrees of the hottest sensor
#:   memory    MiB that programs can still take
#:   overlay   percent of the overlay in RAM that is taken
#:   data      percent of the data partition that is taken
#:   errors    errors that the data partition's file system has counted in its life
#:   readonly  1 if the data partition takes no writes
#:   written   KiB written to the card since the sample before
#:   low       1 if the supply was too low
#:   slowed    1 if the processor was slowed down by heat
#:   restarts  1 if the feed has started again since the sample before
#:   deaf      1 if the feed did not answer
LEAST = ("celsius", "memory")
MOST = ("celsius", "overlay", "data", "errors", "readonly")
SUMS = ("written", "low", "slowed", "restarts", "deaf")
FIGURES = tuple(dict.fromkeys((*LEAST, *MOST, *SUMS)))

#: The letters of a link's states: heard, garbled, silent, absent.
STATES = "hgsa"

#: A link's letter while nothing can be told of it, and while no sample was taken.
UNKNOWN, NO_SAMPLE = ".", " "

#: Characters of a link's name, links of a boat, and the greatest figure.
MAX_NAME_CHARS, MAX_LINKS, MAX_FIGURE = 64, 200, 2**40


@dataclass(frozen=True)
class Sample:
    """Holds the figures of one minute, and the letter of each link's state."""

    figures: Mapping[str, int | None]
    links: Mapping[str, str] = field(default_factory=dict)
