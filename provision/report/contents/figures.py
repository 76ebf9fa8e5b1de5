# SPDX-License-Identifier: GPL-3.0-or-later
"""Make tables of the sums of a check: each with a bar, its limit and the limit's source."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from provision.checks.figure import Figure, format_number
from provision.report.page import Cell, Mark, Table
from provision.report.plots.bars import draw_limit

#: Sums in a report at most, of all boats together: a club's report stays below 100 kB.
MAX_FIGURES = 216

#: Sums of one boat at least, the tightest first.
MIN_OF_A_BOAT = 8

_MARKS = {"fine": Mark.FINE, "unknown": Mark.WATCH, "warning": Mark.WATCH, "error": Mark.TROUBLE}


class Sources:
    """Number where limits come from, in the order in which they are first named."""

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {}

    def number(self, source: str) -> int:
        """Return the number of a source, from 1."""
        return self._numbers.setdefault(source, len(self._numbers) + 1)

    @property
    def all(self) -> tuple[str, ...]:
        """List the sources by their numbers."""
        return tuple(self._numbers)


def figure_table(figures: Sequence[Figure], boats: int, sources: Sources) -> Table:
    """Make the table of one boat's sums, the tightest first. `boats` is how many share the page."""
    most = max(MIN_OF_A_BOAT, MAX_FIGURES // max(boats, 1))
    shown = sorted(figures, key=_tightness)[:most]
    more = len(figures) - len(shown)
    title = f"Sums, the tightest first ({more} more: check --figures)" if more else "Sums"
    return Table(
        ("sum", "value", "", "limit"),
        tuple(_row(figure, sources) for figure in shown),
        numbers=frozenset({1}),
        marks=tuple(_MARKS[figure.verdict] for figure in shown),
        title=title,
    )


def _tightness(figure: Figure) -> tuple[int, float]:
    """Sort what is broken first, then by the share of the limit; what is not known comes last."""
    order = {"error": 0, "warning": 1, "fine": 2, "unknown": 3}
    return order[figure.verdict], -_share(figure)


def _share(figure: Figure) -> float:
    """Return the share of its limit that a sum takes: 1 at the limit. 0 without one."""
    if figure.value is None or figure.limit is None or figure.limit <= 0:
        return 0.0
    share = figure.value / figure.limit
    return 1 / share if figure.bound == "least" and share > 0 else share


def _row(figure: Figure, sources: Sources) -> tuple[Cell, ...]:
    if figure.value is None:
        return figure.name, "not known", "", figure.help
    value = f"{format_number(figure.value)} {figure.unit}"
    number = Markup(' <span class="source">[{}]</span>').format(sources.number(figure.source))
    if figure.limit is None:
        return figure.name, value, "", Markup("none{}").format(number)
    least = figure.bound == "least"
    limit = Markup("at {} {}{}").format(figure.bound, format_number(figure.limit), number)
    return figure.name, value, draw_limit(figure.value, figure.limit, least=least), limit
