# SPDX-License-Identifier: GPL-3.0-or-later
"""The page of a fleet tells each boat's state, and what to do about each that is not well."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest
from markupsafe import Markup

from provision.push.status import BoatStatus, find_health_issues
from provision.report.contents.fleet import fleet_page
from provision.report.contents.issues import advise
from provision.report.page import Mark, Plot, Section, ToDo
from tests.support.report import club
from tests.support.report.pages import CALLED, write

PAGE = fleet_page(club.statuses(), CALLED, club.NOW)


def section(name: str) -> Section:
    (found,) = [one for one in PAGE.sections if one.name == name]
    return found


def about(name: str) -> list[ToDo]:
    return [todo for todo in PAGE.todos if name in dict(todo.causes)]


def test_the_verdict_counts_as_the_exit_status_does() -> None:
    bad = [status.boat for status in club.statuses() if not status.up_to_date]
    assert PAGE.verdict == f"{len(bad)} of {len(club.NAMES)} boats need somebody"
    assert {name for todo in PAGE.todos for name, _ in todo.causes} == set(bad)


@pytest.mark.parametrize(
    ("name", "state", "mark", "commands"),
    [
        ("fulmar", "no answer", Mark.TROUBLE, ["provision fleet fulmar knot"]),
        ("gannet", "to push", Mark.WATCH, ["provision push --dry-run gannet"]),
        ("plover", "degraded", Mark.TROUBLE, ["provision verify plover", ""]),
        ("redshank", "not asked", Mark.TROUBLE, ["provision check redshank"]),
        ("sanderling", "to push", Mark.WATCH, ["provision push sanderling"]),
        ("dunlin", "healthy, link silent", Mark.WATCH, []),
        ("avocet", "healthy", Mark.FINE, []),
    ],
)
def test_a_boat(name: str, state: str, mark: Mark, commands: list[str]) -> None:
    assert (section(name).state, section(name).mark) == (state, mark)
    assert [todo.typed for todo in about(name)] == commands
    assert all(todo.action and todo.meanwhile for todo in about(name))


def test_the_hint_about_boats_that_are_off_comes_once() -> None:
    assert write(PAGE).count("switched on") == 1


def test_a_boat_that_is_off_alone_has_its_own_hint() -> None:
    page = fleet_page(club.statuses()[:4], CALLED, club.NOW)
    (todo,) = [one for one in page.todos if "fulmar" in dict(one.causes)]
    assert 'its Wi-Fi "Fulmar"' in todo.action


def test_links_that_are_not_heard_are_told_apart() -> None:
    (table,) = section("kittiwake").tables
    assert table.rows == (("depth-log", "silent for 2 h"), ("autopilot", "absent"))
    assert dict(section("kittiwake").facts)["links that are heard"] == "gnss"
    assert section("avocet").tables == ()
    heard = dict(section("avocet").facts)["links that are heard"]
    assert heard == "gnss, depth-log and autopilot"


def test_what_waits_and_what_is_on_trial_is_said() -> None:
    trial = {"digest": club.NEW_DIGEST, "owner": "bosun@laptop", "seconds_left": 31.0}
    status = replace(club.statuses()[0], trial=trial, staged={"digest": club.DIGEST})
    facts = dict(fleet_page([status], {}, club.NOW).sections[0].facts)
    assert facts["on trial"] == f"{club.NEW_DIGEST[:12]}, for bosun@laptop, 31 s left"
    assert facts["wait for its restart"] == f"settings {club.DIGEST[:12]}"


def test_a_boat_may_bring_plots() -> None:
    plots = {"avocet": (Plot("Restarts", Markup("<svg></svg>"), "two in 30 days"),)}
    page = fleet_page(club.statuses(), CALLED, club.NOW, plots)
    (one,) = [section for section in page.sections if section.plots]
    assert one.name == "avocet"
    assert "two in 30 days" in write(page)


def test_each_health_issue_has_an_advice_of_its_own() -> None:
    status = {
        "boat": "another",
        "board": "another",
        "base": {"format": 1},
        "boot": {"reason": "it fell back"},
        "degraded": True,
        "kept_whole": False,
        "health": {"data": {"writable": False}, "ext4_errors": 3, "undervoltage": True},
    }
    boat = SimpleNamespace(name="tern", board="x86-64", base=2)
    issues = find_health_issues(boat, status, (1, 2))
    issues += ["its feed does not say how its links are", "a card of tern was lost or stolen"]
    assert len(issues) == 11
    usual = advise("something else")
    assert [issue for issue in issues if advise(issue) == usual] == []


def test_all_is_well() -> None:
    well = [status for status in club.statuses() if status.up_to_date]
    page = fleet_page(well, CALLED, club.NOW)
    assert page.verdict == f"All {len(well)} boats are healthy and up to date"
    assert page.todos == ()


def test_a_boat_of_which_nothing_is_known() -> None:
    page = fleet_page([BoatStatus("tern", "1" * 64, reason="no way")], {}, club.NOW)
    assert page.verdict == "tern needs somebody"
    assert page.sections[0].cells == ("not known", "never")
