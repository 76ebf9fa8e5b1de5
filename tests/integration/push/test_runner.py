# SPDX-License-Identifier: GPL-3.0-or-later
"""The suite runs against a boat over SSH and tells of each test; this boat has no units."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from provision.paths import shipped
from provision.push.plan import prepare
from provision.push.workspace import workspace
from provision.ssh.endpoint import Endpoint
from provision.verify.runner import VerifyResult, prove
from tests.support.push.loopback import RigBoat


@pytest.fixture(scope="module")
def job(rig: Callable[..., RigBoat]) -> Iterator[tuple[RigBoat, Path]]:
    boat = rig("proven")
    with workspace() as folder:
        prepare([boat.open_boat], folder, {"proven": boat.endpoint})
        yield boat, folder / "proven" / "job.json"


@pytest.fixture(scope="module")
def result(job: tuple[RigBoat, Path]) -> VerifyResult:
    return prove(job[1], job[0].endpoint, "kept")


def test_each_test_is_told(result: VerifyResult) -> None:
    endings = {f"{test.subject}: {test.test}": test.ending for test in result.tests}
    assert endings["identity: settings"] == "passed"
    assert endings["identity: no drift"] == "passed"
    assert endings["identity: host name"] == "failed"
    assert endings["data: writable"] == "skipped"
    assert endings["feed: link is heard [gnss]"] == "skipped"


def test_each_failure_says_what_is_wrong(result: VerifyResult) -> None:
    reasons = {f"{test.subject}: {test.test}": test.reason for test in result.failed}
    assert reasons["data: mounted"] == "/data is not mounted"
    assert reasons["root: base is read only"].startswith("the base is not mounted")
    assert [reason for reason in reasons.values() if not reason or "Error" in reason] == []


def test_nothing_is_told_of_links_that_the_boat_has_not(result: VerifyResult) -> None:
    tests = {f"{test.subject}: {test.test}" for test in result.tests}
    assert "devices: adapter [gnss]" in tests
    assert [test for test in tests if "can " in test or "None" in test or "NOTSET" in test] == []


def test_the_boat_is_not_proven(result: VerifyResult) -> None:
    assert not result.passed
    assert result.summary().endswith("more")
    assert result.as_json()["ok"] is False


def test_every_file_of_the_suite_ran(result: VerifyResult) -> None:
    files = {file.stem.removeprefix("test_") for file in shipped("tests/boat").glob("test_*.py")}
    # This boat has no page and no charts.
    assert {test.subject for test in result.tests} == files - {"charts", "page"}


def test_a_boat_that_does_not_answer(job: tuple[RigBoat, Path]) -> None:
    result = prove(job[1], Endpoint("127.0.0.1", 1), "kept")
    assert not result.passed
    assert "does not answer" in result.error
