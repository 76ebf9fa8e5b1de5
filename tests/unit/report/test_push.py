# SPDX-License-Identifier: GPL-3.0-or-later
"""The page of a push says who has to do what, and what each boat runs meanwhile."""

from __future__ import annotations

import pytest

from provision.push.options import PushOptions
from provision.push.query.diff import write_diff
from provision.push.result import Outcome, PushResult
from provision.render import File
from provision.report.contents.diff import MAX_CHANGES_CHARS, list_changes, split
from provision.report.contents.push import push_page
from provision.report.page import Mark, ToDo
from tests.support.push.loopback import CANARY
from tests.support.report import club
from tests.support.report.pages import CALLED, read, write

PAGE = push_page(club.push_results(), PushOptions(), CALLED)


def about(name: str) -> ToDo:
    (found,) = [todo for todo in PAGE.todos if name in dict(todo.causes)]
    return found


def test_the_verdict_counts_as_the_exit_status_does() -> None:
    bad = [result for result in club.push_results() if not result.succeeded]
    assert PAGE.verdict == f"{len(bad)} of {len(club.NAMES)} boats need somebody"
    causes = [name for todo in PAGE.todos for name, _ in todo.causes]
    assert sorted(causes) == sorted(result.boat for result in bad)


@pytest.mark.parametrize(
    ("name", "meanwhile", "command"),
    [
        ("dunlin", "rolled back by itself", "provision push dunlin"),
        ("redshank", "Nothing was tried", "provision push redshank"),
        ("teal", "Not known", "provision fleet teal"),
    ],
)
def test_what_to_do(name: str, meanwhile: str, command: str) -> None:
    todo = about(name)
    assert todo.action and meanwhile in todo.meanwhile
    assert todo.typed == command
    assert dict(todo.causes)[name]


def test_boats_that_are_off_are_one_thing_to_do() -> None:
    """The cause has the boat's name once, and the hint comes once."""
    todo = about("fulmar")
    assert [name for name, _ in todo.causes] == ["fulmar", "knot"]
    assert dict(todo.causes)["knot"].startswith("does not answer at")
    assert todo.action.startswith("Are they switched on")
    assert todo.typed == "provision push fulmar knot"
    assert write(PAGE).count("switched on") == 1


@pytest.mark.parametrize("outcome", Outcome)
def test_each_outcome_has_a_page(outcome: Outcome) -> None:
    result = PushResult("tern", outcome, "", "a reason")
    page = push_page([result], PushOptions(), {"tern": "'our boats/tern.yml'"})
    assert (not page.todos) == result.succeeded
    assert ("needs somebody" in page.verdict) == (not result.succeeded)
    for todo in page.todos:
        assert todo.meanwhile and todo.action
        assert todo.typed.endswith("'our boats/tern.yml'")


@pytest.mark.parametrize(
    ("options", "outcomes", "verdict"),
    [
        (PushOptions(), [Outcome.KEPT], "a runs what its file says"),
        (PushOptions(), [Outcome.KEPT, Outcome.UNCHANGED], "Both boats run what their files say"),
        (PushOptions(stage=True), [Outcome.STAGED], "a has its settings for the next start"),
        (PushOptions(dry_run=True), [Outcome.UNCHANGED] * 3, "A push would change nothing"),
        (PushOptions(dry_run=True), [Outcome.WOULD_CHANGE], "A push would change a"),
        (
            PushOptions(dry_run=True),
            [Outcome.WOULD_CHANGE, Outcome.UNCHANGED, Outcome.UNCHANGED],
            "A push would change 1 of 3 boats",
        ),
        (PushOptions(), [Outcome.REFUSED, Outcome.FAILED], "Both boats need somebody"),
        (PushOptions(), [Outcome.REFUSED] * 3, "All 3 boats need somebody"),
        (
            PushOptions(dry_run=True),
            [Outcome.REFUSED, Outcome.WOULD_CHANGE],
            "1 of 2 boats needs somebody",
        ),
    ],
)
def test_the_verdict(options: PushOptions, outcomes: list[Outcome], verdict: str) -> None:
    results = [PushResult(name, one, "") for name, one in zip("abc", outcomes, strict=False)]
    assert push_page(results, options, {}).verdict == verdict


def test_what_changed_is_said_once() -> None:
    (change,) = PAGE.changes
    assert change.what == "links (2 files)"
    assert "avocet" in change.boats and "dunlin" not in change.boats
    assert change.paths == ("/etc/boat/feed.json", "/etc/boat/manifest.json")


def test_how_long_each_boat_took() -> None:
    assert PAGE.times is not None
    assert PAGE.times.rows[0][0] == "teal" and PAGE.times.rows[0][2] == "4 min 44 s"
    assert len(PAGE.times.rows) == len(club.NAMES)


def test_a_note_is_the_boats() -> None:
    (section,) = [one for one in PAGE.sections if one.name == "gannet"]
    assert section.notes == ("clock: gnss has no fix, as before this change",)
    assert section.mark is Mark.FINE


def test_a_change_of_several_boats_is_shown_once() -> None:
    changes, note = list_changes(club.dry_run_results())
    feed, hostapd = changes
    assert (feed.what, feed.boats) == ("/etc/boat/feed.json", tuple(club.NAMES))
    assert feed.lines[0].startswith("@@") and feed.lines[-1].startswith("+")
    assert hostapd.boats == ("dunlin",)
    assert hostapd.lines[0] == "@ mode 0644 -> 0600"
    assert note == "Secrets are replaced by numbers."


def test_a_diff_is_divided_by_file() -> None:
    new = File(b"--- aboard/etc/other\n+++ new\n", 0o644)
    text = write_diff(["/a", "/b"], {"/a": File(b"-- x\n", 0o644)}, {"/b": new}, ())
    assert [path for path, _ in split(text)] == ["/a", "/b"]


def test_a_large_diff_is_cut_and_says_so() -> None:
    results = [
        PushResult(
            "a", Outcome.WOULD_CHANGE, "", diff=club.DIFF.replace("3,3", "+" * 3) + "+x\n" * 40_000
        )
    ]
    changes, note = list_changes(results)
    assert sum(len(line) for change in changes for line in change.lines) <= MAX_CHANGES_CHARS
    assert "push --dry-run shows it" in note


def test_no_secret_is_on_the_page() -> None:
    """A changed pass-phrase and a changed key show as numbers."""
    old = {"/etc/hostapd/boat.conf": File(f"wpa_passphrase={CANARY}\n".encode(), 0o600)}
    new = {"/etc/hostapd/boat.conf": File(f"wpa_passphrase={CANARY}2\n".encode(), 0o600)}
    diff = write_diff(old, old, new, [CANARY, f"{CANARY}2"])
    result = PushResult("tern", Outcome.WOULD_CHANGE, "", diff=diff, changed=tuple(old))
    text = write(push_page([result], PushOptions(dry_run=True), {}))
    assert CANARY not in text
    shown = " ".join(one.text for one in read(text).all("pre"))
    assert "<secret 1>" in shown and "<secret 2>" in shown
