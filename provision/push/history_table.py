# SPDX-License-Identifier: GPL-3.0-or-later
"""Print what boats remember of themselves: plots of one line, beside a text that says the same."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from rich.console import Group
from rich.table import Column, Table
from rich.text import Text

from provision.harmless import harmless
from provision.onboard.watch.answer.plots import Plot, Values, coarser
from provision.push.query.history import plots_of
from provision.push.status import BoatStatus


class Signs(NamedTuple):
    """Holds what stands for a bin: with the computer off, with nothing, and from little to much."""

    off: str
    none: str
    some: str


BLOCKS = Signs(" ", "·", "▁▂▃▄▅▆▇█")
DIGITS = Signs(" ", ".", "12345678")

#: Name, title and signs of each period.
PERIODS = (
    ("day", "last 24 hours, an hour each sign", 24),
    ("month", "last 30 days, a day each sign", 30),
)

#: Columns of the subject and of the text beside a plot. With a plot they fit 80 columns.
NAME_COLUMNS, TEXT_COLUMNS = 14, 32

MAX_CELL_CHARS = 200


def history_tables(statuses: Sequence[BoatStatus], *, encoding: str) -> Group:
    """Write for each boat the plots of the last day and of the last thirty days."""
    signs = BLOCKS if encoding.lower().startswith("utf") else DIGITS
    parts = [part for status in statuses for part in _boat(status, signs)]
    return Group(*parts)


def _boat(status: BoatStatus, signs: Signs) -> Iterator[Text | Table]:
    name = harmless(status.boat, MAX_CELL_CHARS)
    plots = {period: plots_of(status.history, period) for period, *_ in PERIODS}
    if any(found is None for found in plots.values()):
        yield Text(f"\n{name}: {_no_history(status)}")
        return
    for period, title, count in PERIODS:
        yield Text(f"\n{name}, {title}, now at the right")
        yield _table(plots[period] or (), count, signs)


def _no_history(status: BoatStatus) -> str:
    if status.endpoint is None:
        return "no answer, so nothing of its history is known"
    if status.history is None:
        return "no history: its settings are older, or its boat-watch does not answer; push to it"
    return "its history is not understood: it has another version than this program"


def _table(plots: Sequence[Plot], count: int, signs: Signs) -> Table:
    table = Table(
        Column(width=NAME_COLUMNS, overflow="fold"),
        Column(width=count, no_wrap=True),
        Column(width=TEXT_COLUMNS, overflow="fold"),
        box=None,
        pad_edge=False,
        show_edge=False,
        show_header=False,
    )
    for plot in plots:
        text = Text(harmless(plot.text, MAX_CELL_CHARS))
        drawn = Text(draw_line(plot.values, count, signs))
        table.add_row(Text(harmless(plot.name, MAX_CELL_CHARS)), drawn, text)
    return table


def draw_line(values: Values, count: int, signs: Signs) -> str:
    """Draw values from 0 to 1 as `count` signs, each for the greatest of its share of them.

    >>> draw_line([None, None, 0.0, 0.0, 0.5, 1.0], 3, DIGITS)
    ' .8'
    """
    return "".join(_sign(value, signs) for value in coarser(values, count))


def _sign(value: float | None, signs: Signs) -> str:
    if value is None:
        return signs.off
    index = min(int(value * len(signs.some)), len(signs.some) - 1)
    return signs.some[index] if value > 0 else signs.none
