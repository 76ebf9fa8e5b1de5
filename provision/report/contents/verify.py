# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the page of a proof: which tests of which boat passed, and why others did not."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from provision.push.hints import share_unreachable_hint
from provision.report.page import (
    Mark,
    Page,
    Section,
    Table,
    ToDo,
    cause,
    count,
    cut,
    merge,
    sentence,
    worst_first,
)
from provision.report.plots.bars import draw_length
from provision.report.words import all_of, lasting, need_somebody
from provision.verify.runner import TestOutcome, VerifyResult

#: Tests in a report, of all boats together, whose reasons are shown; and of one boat at least.
MAX_TESTS, MIN_OF_A_BOAT = 96, 4

#: Failed tests of one boat that are named as something to do.
MAX_FAILED = 3

_LABELS = {
    Mark.FINE: "what their files say",
    Mark.WATCH: "with a note",
    Mark.TROUBLE: "failed, or not proven",
}

_ORDER = ("failed", "noted", "skipped", "passed")


def verify_page(proofs: Sequence[VerifyResult], called: Mapping[str, str]) -> Page:
    """Make the page of a proof. `called` is how a command names each boat."""
    sections = worst_first([_section(proof, len(proofs)) for proof in proofs])
    bad = [proof for proof in proofs if not proof.passed]
    return Page(
        "Proof",
        need_somebody(sections, len(bad))
        if bad
        else all_of(sections, "is what its file says", "are what their files say"),
        count(sections, _LABELS),
        merge(_todos(bad, called)),
        heads=("passed", "notes"),
        sections=sections,
        times=_times(proofs),
    )


def _section(proof: VerifyResult, boats: int) -> Section:
    """Make the section of a boat, one of so many: its subjects only where it is alone."""
    endings = Counter(test.ending for test in proof.tests)
    mark = Mark.TROUBLE
    if proof.passed:
        mark = Mark.WATCH if proof.notes else Mark.FINE
    told = _told(proof, max(MIN_OF_A_BOAT, MAX_TESTS // boats))
    subjects = _subjects(proof) if boats == 1 else None
    state = {Mark.FINE: "passed", Mark.WATCH: "passed, with notes"}.get(mark, "failed")
    passed = endings["passed"] + endings["noted"]
    numbers = (
        f"{passed}\N{NO-BREAK SPACE}of\N{NO-BREAK SPACE}{len(proof.tests)}" if proof.tests else "",
        str(len(proof.notes) or ""),
    )
    return Section(
        proof.boat,
        mark,
        "not proven" if mark is Mark.TROUBLE and not proof.failed else state,
        numbers,
        tables=tuple(filter(None, (told, subjects))),
    )


def _told(proof: VerifyResult, most: int) -> Table | None:
    """List the tests that did not pass without a word, at most so many."""
    told = sorted(
        (test for test in proof.tests if test.ending != "passed"),
        key=lambda test: _ORDER.index(test.ending),
    )[:most]
    if not told:
        return None
    marks = {"failed": Mark.TROUBLE, "noted": Mark.WATCH}
    return Table(
        ("result", "test", "why"),
        tuple((test.ending, f"{test.subject}: {test.test}", cut(test.reason)) for test in told),
        marks=tuple(marks.get(test.ending, Mark.FINE) for test in told),
    )


def _subjects(proof: VerifyResult) -> Table | None:
    """Count the tests of each subject that passed, with a bar."""
    if not proof.tests:
        return None
    subjects: dict[str, list[TestOutcome]] = {}
    for test in proof.tests:
        subjects.setdefault(test.subject, []).append(test)
    rows = []
    for subject, tests in subjects.items():
        passed = sum(test.ending in ("passed", "noted") for test in tests)
        rows.append((subject, draw_length(passed, len(tests)), f"{passed} of {len(tests)}"))
    return Table(("subject", "", "passed"), tuple(rows), numbers=frozenset({2}), title="Subjects")


def _todos(bad: Sequence[VerifyResult], called: Mapping[str, str]) -> list[ToDo]:
    away = [proof.boat for proof in bad if "does not answer" in proof.error]
    todos = []
    for proof in bad:
        arguments = (called.get(proof.boat, proof.boat),)
        if proof.failed:
            todos.append(
                ToDo(
                    _failures(proof),
                    "Correct that aboard, and prove the boat again.",
                    "It runs the settings that it keeps: a proof changes nothing.",
                    "provision verify",
                    arguments,
                )
            )
            continue
        reason, _, hint = proof.error.partition("\n  hint: ")
        if proof.boat in away:
            hint = share_unreachable_hint(away, hint)
        todos.append(
            ToDo(
                (cause(proof.boat, reason or "no test ran"),),
                sentence(hint),
                "A proof changes nothing: it runs as before.",
                "provision verify",
                arguments,
            )
        )
    return todos


def _failures(proof: VerifyResult) -> tuple[tuple[str, str], ...]:
    """Name the tests that failed, and count those beyond MAX_FAILED."""
    named = [f"{one.subject}: {one.test}: {one.reason}" for one in proof.failed[:MAX_FAILED]]
    if len(proof.failed) > MAX_FAILED:
        named.append(f"{len(proof.failed) - MAX_FAILED} more tests failed")
    return tuple(cause(proof.boat, text) for text in named)


def _times(proofs: Sequence[VerifyResult]) -> Table | None:
    longest = max((proof.seconds for proof in proofs), default=0.0)
    if longest <= 0:
        return None
    ordered = sorted(proofs, key=lambda proof: -proof.seconds)
    rows = tuple(
        (proof.boat, draw_length(proof.seconds, longest), lasting(proof.seconds))
        for proof in ordered
    )
    return Table(("boat", "", "time"), rows, numbers=frozenset({2}))
