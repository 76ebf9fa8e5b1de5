# SPDX-License-Identifier: GPL-3.0-or-later
"""Draw what boats remember of the last thirty days, a day each bar, for the page of a fleet."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from provision.onboard.page.view.history import HEIGHT, draw_bars, draw_line
from provision.onboard.watch.answer.plots import Plot as Remembered
from provision.onboard.watch.answer.plots import coarser
from provision.push.query.history import plots_of
from provision.push.status import BoatStatus
from provision.report.page import Plot

#: Bars of a plot, one a day.
DAYS = 30

#: Plots of all boats together, of one boat at most and at least: a page stays below 100 kB.
MAX_PLOTS, MAX_OF_A_BOAT, MIN_OF_A_BOAT = 48, 12, 1


def plots_of_boats(statuses: Sequence[BoatStatus]) -> dict[str, tuple[Plot, ...]]:
    """Return by boat what is drawn of each boat that told its history."""
    share = MAX_PLOTS // max(len(statuses), 1)
    most = max(MIN_OF_A_BOAT, min(MAX_OF_A_BOAT, share))
    return {
        status.boat: tuple(_draw(plot) for plot in _eventful(plots)[:most])
        for status in statuses
        if (plots := plots_of(status.history, "month"))
    }


def _eventful(plots: Sequence[Remembered]) -> list[Remembered]:
    """Leave out plots with nothing on them, such as of a link that was always heard."""
    return [plot for plot in plots if any(plot.values)]


def _draw(plot: Remembered) -> Plot:
    values = coarser(plot.values, DAYS)
    picture = Markup(
        '<svg viewBox="0 0 {} {}" preserveAspectRatio="none" width="100%" height="40" '
        'aria-hidden="true"><path d="{}" opacity=".4"/><path d="{}"/></svg>'
    ).format(DAYS, HEIGHT, draw_line(values), draw_bars(values))
    return Plot(plot.name, picture, f"{plot.text}. Last 30 days, today at the right.")
