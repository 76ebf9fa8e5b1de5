# SPDX-License-Identifier: GPL-3.0-or-later
"""Prove a boat: run the suite in tests/boat against it and say how each test ended.

`python -m provision.verify.runner JOB HOST PORT kept|trial [SUBJECT...]` does so for one job file
(`provision.verify.job.Job`) and prints the result as JSON; its exit status is 0 (all well),
1 (a test failed), 2 (could not run). pytest has a process of its own here, so that nothing of
one run reaches another.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from provision.bounded import MAX_ANSWERS_BYTES, TooMuch, collect, read_json
from provision.errors import UserError
from provision.harmless import harmless
from provision.paths import shipped
from provision.ssh.endpoint import Endpoint
from provision.verify.job import Job

if TYPE_CHECKING:
    import pytest

State = Literal["kept", "trial"]
"""Whether the settings to prove are kept already, or on trial: live, but not kept yet."""

Ending = Literal["passed", "failed", "skipped"]

#: Characters of the reason why a test failed.
MAX_REASON_CHARS = 500

#: Seconds after which a proof that hangs counts as failed.
LONGEST = 300


@dataclass(frozen=True)
class TestOutcome:
    """One test: `subject` is its file without test_ and .py, `reason` why it did not pass."""

    __test__ = False

    subject: str
    test: str
    ending: Ending
    seconds: float
    reason: str = ""


@dataclass(frozen=True)
class VerifyResult:
    """How the proof of one boat ended. `error` says why it could not run to its end."""

    boat: str
    seconds: float
    tests: tuple[TestOutcome, ...]
    error: str = ""

    @property
    def well(self) -> bool:
        """Whether the suite ran, and no test failed."""
        return not self.error and bool(self.tests) and not self.failed

    @property
    def failed(self) -> tuple[TestOutcome, ...]:
        """The tests that failed."""
        return tuple(test for test in self.tests if test.ending == "failed")

    def as_json(self) -> dict[str, object]:
        """The result as plain data, for `--json`."""
        return {**asdict(self), "well": self.well, "summary": self.summary()}

    def summary(self) -> str:
        """One line: what failed first, and how many did."""
        if self.error:
            return self.error
        if not self.failed:
            return f"{len(self.tests)} tests passed"
        first = self.failed[0]
        more = f", and {len(self.failed) - 1} more" if len(self.failed) > 1 else ""
        return f"{first.subject}: {first.test}: {first.reason}{more}"


class Collector:
    """A pytest plugin that gathers outcomes."""

    def __init__(self) -> None:
        self.tests: list[TestOutcome] = []
        self.error = ""

    def pytest_keyboard_interrupt(self, excinfo: pytest.ExceptionInfo[BaseException]) -> None:
        """The suite ended itself, because the boat does not answer, or somebody ended it."""
        self.error = harmless(str(excinfo.value) or "interrupted", 4 * MAX_REASON_CHARS)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Count a test once: its call, or the setup that kept it from being called."""
        if report.when == "call" or not report.passed:
            path, _, name = report.nodeid.partition("::")
            self.tests.append(
                TestOutcome(
                    subject=Path(path).stem.removeprefix("test_"),
                    test=name.removeprefix("test_").replace("_", " ").replace("[", " ["),
                    ending=report.outcome,
                    seconds=round(report.duration, 2),
                    reason=reason(report),
                )
            )


def reason(report: pytest.TestReport) -> str:
    """The line that says why a test failed or was skipped; pytest's own follow it."""
    crash = getattr(report.longrepr, "reprcrash", None)
    if crash is not None:
        first, *_ = [*str(crash.message).splitlines(), ""]
        return harmless(first.removeprefix("AssertionError: "), MAX_REASON_CHARS)
    if isinstance(report.longrepr, tuple):
        return harmless(str(report.longrepr[2]).removeprefix("Skipped: "), MAX_REASON_CHARS)
    return ""


def run_suite(
    job_file: Path, place: Endpoint, state: State, subjects: Sequence[str] = ()
) -> VerifyResult:
    """Run the suite in this process: all of it, or only what is about `subjects`."""
    # Here, so that no command waits for it that does not prove anything.
    import pytest  # noqa: PLC0415

    job = Job.read(job_file)
    suite = shipped("tests/boat")
    files = [suite / f"test_{subject}.py" for subject in subjects] or [suite]
    collector = Collector()
    start = time.monotonic()
    host = f"[{place.host}]" if ":" in place.host else place.host
    with contextlib.redirect_stdout(sys.stderr):
        status = pytest.main(
            [
                *("-c", os.devnull, "--rootdir", str(suite), "--import-mode=importlib"),
                *("-p", "no:cacheprovider", "--tb=short", "-q"),
                f"--at={host}:{place.port}",
                f"--job={job_file}",
                f"--state={state}",
                *map(str, files),
            ],
            plugins=[collector],
        )
    error = collector.error
    if not error and status not in (0, 1):
        error = f"pytest could not run the suite (status {int(status)})"
    seconds = round(time.monotonic() - start, 1)
    return VerifyResult(job.boat, seconds, tuple(collector.tests), error)


def command(job_file: Path) -> list[str]:
    """The command that proves a boat; where it answers, its state and subjects go behind it."""
    return [sys.executable, "-P", "-m", "provision.verify.runner", str(job_file)]


def prove(
    job_file: Path, place: Endpoint, state: State, subjects: Sequence[str] = ()
) -> VerifyResult:
    """Prove the boat of a job file, in a process of its own.

    `subjects` names files of the suite, as outcomes do; without any, all of it runs.
    """
    boat = Job.read(job_file).boat
    try:
        done = collect(
            [*command(job_file), place.host, str(place.port), state, *subjects],
            limit=MAX_ANSWERS_BYTES,
            errors=MAX_ANSWERS_BYTES,
            timeout=LONGEST,
        )
    except TooMuch as error:
        return VerifyResult(boat, LONGEST, (), f"the proof was ended: {error}")
    except subprocess.TimeoutExpired:
        return VerifyResult(boat, LONGEST, (), f"the proof did not end within {LONGEST} s")
    try:
        found = read_json(done.stdout)
    except ValueError:
        raise UserError(f"the suite could not run: {done.errors[-2000:]}") from None
    del found["well"], found["summary"]
    tests = tuple(TestOutcome(**test) for test in found.pop("tests"))
    return VerifyResult(tests=tests, **found)


def main() -> int:
    """Prove the boat of the job file that the command line names."""
    try:
        _, job_file, host, port, state, *subjects = sys.argv
        place = Endpoint(host, int(port))
    except ValueError:
        state = ""
    if state not in ("kept", "trial"):
        print("usage: verify JOB HOST PORT kept|trial [SUBJECT...]", file=sys.stderr)
        return 2
    # Nothing is to change pytest from outside, nor to be written beside the suite.
    for name in [name for name in os.environ if name.startswith("PYTEST_")]:
        del os.environ[name]
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    sys.dont_write_bytecode = True
    result = run_suite(Path(job_file), place, state, subjects)  # type: ignore[arg-type]
    print(json.dumps(result.as_json()))
    return 2 if result.error else int(not result.well)


if __name__ == "__main__":
    sys.exit(main())
