# SPDX-License-Identifier: GPL-3.0-or-later
"""What boats remember is drawn in the page of a fleet, and the page stays small."""

from __future__ import annotations

import json
from typing import Any

import pytest

from provision.push.status import BoatStatus
from provision.report.contents.fleet import fleet_page
from provision.report.html import write_html
from provision.report.plots.history import MAX_OF_A_BOAT, plots_of_boats
from provision.ssh.endpoint import Endpoint
from tests.support.watch.past import answer, history, sample

HERE = Endpoint("10.47.1.1")


@pytest.fixture(scope="module")
def told() -> dict[str, Any]:
    """What a boat of forty links tells, each of which was silent for a while."""
    made = history()
    for minute in range(30 * 24 * 60):
        if minute % 7 == 0:
            links = {f"link-{n}": "hhhgsa"[(minute // 700 + n) % 6] for n in range(40)}
            made.add(minute * 60 + 30, sample(links, celsius=40 + minute % 30, low=minute % 2))
    return answer(made, 30 * 24 * 60)


def test_each_boat_has_its_plots_with_the_same_in_words(told: dict[str, Any]) -> None:
    statuses = [BoatStatus("tern", "", HERE, history=told), BoatStatus("knot", "", HERE)]
    plots = plots_of_boats(statuses)
    assert plots.keys() == {"tern"}
    assert len(plots["tern"]) == MAX_OF_A_BOAT
    text = write_html(fleet_page(statuses, {}, 0.0, plots), 0.0, 1.0).decode()
    for plot in plots["tern"]:
        assert plot.title in text and plot.caption in text


def test_what_was_never_missed_is_not_drawn() -> None:
    quiet = answer(history(90), 90)
    titles = [
        plot.title for plot in plots_of_boats([BoatStatus("tern", "", HERE, history=quiet)])["tern"]
    ]
    assert titles == ["Starts", "Temperature", "Memory", "Overlay", "Card"]


def test_a_club_of_24_stays_below_100_kb(told: dict[str, Any]) -> None:
    statuses = [
        BoatStatus(f"boat-{n}", "", HERE, history=told, health_issues=("degraded: x",))
        for n in range(24)
    ]
    text = write_html(fleet_page(statuses, {}, 0.0, plots_of_boats(statuses)), 0.0, 1.0).decode()
    assert len(text.encode()) < 100_000


def test_a_boats_own_words_are_no_markup(told: dict[str, Any]) -> None:
    odd = json.loads(json.dumps(told).replace("link-0", "<b>link"))
    statuses = [BoatStatus("tern", "", HERE, history=odd)]
    text = write_html(fleet_page(statuses, {}, 0.0, plots_of_boats(statuses)), 0.0, 1.0).decode()
    assert "<b>link" not in text and "&lt;b&gt;link" in text
