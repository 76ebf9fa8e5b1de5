# SPDX-License-Identifier: GPL-3.0-or-later
"""The pages of check, verify and survey, and of a command that could not run."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from provision.checks.figure import Figure
from provision.errors import Location, UserError, UserErrors
from provision.report.contents.check import MAX_TODOS, Checked, check_page
from provision.report.contents.failure import ended_page, failed_page
from provision.report.contents.figures import Sources, figure_table
from provision.report.contents.survey import survey_page
from provision.report.contents.verify import verify_page
from provision.report.page import Mark
from provision.survey.findings import Findings
from provision.survey.report import PortReport
from tests.support.report import club
from tests.support.report.pages import CALLED, write


def test_a_check_names_findings_by_boat(tmp_path: Path) -> None:
    checked = club.checked(tmp_path, club.NAMES[:4])
    page = check_page(checked)
    assert page.verdict == "3 of 5 boats need somebody"
    causes = {name: what for todo in page.todos for name, what in todo.causes}
    assert set(causes) == {"ruff.yml", "dunlin", "fulmar"}
    assert causes["dunlin"].startswith("error: wind sends more than 4800 baud can carry")
    assert "dunlin.yml:8" in causes["dunlin"] and "links.wind.talks" in causes["dunlin"]
    (todo,) = [todo for todo in page.todos if todo.causes[0][0] == "dunlin"]
    assert todo.action.startswith("Set instrument and link")
    assert todo.typed == "provision check dunlin"
    marks = {section.name: section.mark for section in page.sections}
    assert (marks["dunlin"], marks["fulmar"], marks["avocet"]) == (
        Mark.TROUBLE,
        Mark.WATCH,
        Mark.FINE,
    )
    assert "Caution: sums prove nothing." in page.remarks


def test_a_check_without_a_mistake(tmp_path: Path) -> None:
    one = club.checked(tmp_path, ["avocet"])
    page = check_page(Checked(one.boats, [], one.figures, [], "", one.called))
    assert page.verdict == "avocet has no mistake in its file"
    assert (page.todos, page.remarks) == ((), ())


def test_many_findings_are_cut_and_counted(tmp_path: Path) -> None:
    one = club.checked(tmp_path, ["avocet", "dunlin"])
    finding = one.findings[0]
    page = check_page(Checked(one.boats, [finding] * 100, (), [], "", one.called))
    assert sum(len(todo.causes) for todo in page.todos) == MAX_TODOS
    assert page.remarks[0].startswith("40 more findings")


def test_the_sums_of_a_check_are_all_there_for_one_boat(tmp_path: Path) -> None:
    checked = club.checked(tmp_path, ["avocet"])
    (section,) = [one for one in check_page(checked).sections if one.name == "avocet"]
    (table,) = section.tables
    assert {row[0] for row in table.rows} == {figure.name for figure in checked.figures}
    assert len(table.rows) == len(checked.figures)


def figure(value: float | None, limit: float | None, **more: object) -> Figure:
    return Figure("x", f"{value} of {limit}", value, "mA", "a source", limit, **more)


def test_the_tightest_sum_comes_first() -> None:
    figures = [
        figure(None, None, verdict="unknown", help="write it"),
        figure(10, 100),
        figure(90, 100),
        figure(5, None),
        figure(11, 10, bound="least"),
        figure(120, 100, verdict="error"),
    ]
    table = figure_table(figures, 1, Sources())
    assert [row[0] for row in table.rows] == [
        "120 of 100",
        "11 of 10",
        "90 of 100",
        "10 of 100",
        "5 of None",
        "None of None",
    ]
    assert table.marks[0] is Mark.TROUBLE
    assert table.rows[-1][1:] == ("not known", "", "write it")


def test_a_limit_names_its_source_by_number() -> None:
    sources = Sources()
    (row,) = figure_table([figure(10, 100)], 1, sources).rows
    assert re.sub("<.*?>", "", row[3]) == "at most 100 [1]"
    assert sources.all == ("a source",)


def test_a_proof_says_what_failed_and_why() -> None:
    page = verify_page(club.proofs(), CALLED)
    assert page.verdict == "2 of 24 boats need somebody"
    away, failed = page.todos
    assert away.causes == (("fulmar", "does not answer at 10.47.2.1"),)
    assert away.action == "Is it switched on?"
    assert failed.causes[0][1].startswith("feed: every link is heard: depth-log was silent")
    assert failed.typed == "provision verify gannet"
    states = {section.name: section.state for section in page.sections}
    assert (states["fulmar"], states["gannet"], states["kittiwake"]) == (
        "not proven",
        "failed",
        "passed, with notes",
    )
    (told,) = next(one for one in page.sections if one.name == "gannet").tables
    assert [row[0] for row in told.rows] == ["failed", "noted", "skipped"]


def test_a_proof_of_one_boat_counts_its_subjects() -> None:
    (section,) = verify_page(club.proofs()[3:4], CALLED).sections
    _, subjects = section.tables
    assert ("feed", "4 of 5") in [(row[0], row[2]) for row in subjects.rows]


def test_a_proof_that_passes() -> None:
    assert verify_page(club.proofs()[:1], {}).verdict == "avocet is what its file says"
    assert verify_page(club.proofs()[:2], {}).verdict == "Both boats are what their files say"


def test_a_survey_says_what_to_do_about_each_port() -> None:
    page = survey_page(club.found(), "tern")
    assert (page.kind, page.verdict) == ("Survey of tern", "2 of 4 ports need somebody")
    causes = dict(todo.causes[0] for todo in page.todos)
    assert "label its socket" in causes["/dev/ttyUSB1"]
    assert "nothing came" in causes["/dev/ttyUSB2"]
    text = write(page)
    for shown in ("TN-GNSS-01", "hub, second socket", "GPZDA", "once", "129025", "10/s"):
        assert shown in text


def test_a_survey_of_good_ports() -> None:
    good = Findings(club.found().ports[:1], club.found().networks)
    assert survey_page(good).verdict == "Both ports bring data"


@pytest.mark.parametrize("more", [{"error": "is in use"}, {"feed": "silent", "link": "gnss"}])
def test_a_port_that_brings_nothing_is_to_do(more: dict[str, str]) -> None:
    port = PortReport(club.found().ports[0].adapter, **more)
    page = survey_page(Findings([port], []))
    assert page.sections[0].mark is Mark.TROUBLE
    assert len(page.todos) == 1


def test_a_command_that_could_not_run_says_why() -> None:
    where = Location(Path("boats/tern.yml"), 3, 8)
    errors = UserErrors(
        [UserError("is wrong", location=where, hint="make it right"), UserError("b", hint="c")]
    )
    page = failed_page("Push", errors)
    assert page.verdict == "Push could not run"
    first, second = page.todos
    assert first.causes == (("tern.yml", "is wrong (boats/tern.yml:3:8)"),)
    assert (first.action, second.causes) == ("Make it right", (("", "b"),))
    assert "Push was ended early" in write(ended_page("Push", "Ctrl-C stopped it", "begin again"))
