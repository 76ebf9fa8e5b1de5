# SPDX-License-Identifier: GPL-3.0-or-later
"""Prove a boat: run the suite in tests/boat against it, and report how each test ended.

`python -m provision.verify.runner JOB HOST PORT kept|trial [--before=FILE] [--under-way]
[SUBJECT...]` does so for one job file (`provision.verify.job.Job`) and prints the result as JSON.
FILE holds what the boat's feed reported before a change. With `--under-way` every silent
instrument fails. The exit status is 0 (no test failed), 1 (a test failed) or 2 (could not run).
pytest runs in a new process, so that nothing of one run reaches another.
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
from provision.verify.job import NOTE, Job
from provision.verify.start import share_compiled_files, without_unused_plugins

if TYPE_CHECKING:
    import pytest

State = Literal["kept", "trial"]
"""Says whether the settings to prove are kept already, or on trial: live, but not kept yet."""

Ending = Literal["passed", "noted", "failed", "skipped"]
"""noted: nothing is wrong that the test can tell, and the operator should read the reason."""

#: Characters of the reason why a test failed.
MAX_REASON_CHARS = 500

#: Seconds after which a proof that hangs counts as failed.
PROOF_TIMEOUT_S = 300


@dataclass(frozen=True)
class TestOutcome:
    """Hold one test. `subject` is its file without test_ and .py, `reason` why it did not pass."""

    __test__ = False

    subject: str
    test: str
    ending: Ending
    seconds: float
    reason: str = ""


@dataclass(frozen=True)
class VerifyResult:
    """Hold how the proof of one boat ended. `error` says why it could not run to its end."""

    boat: str
    seconds: float
    tests: tuple[TestOutcome, ...]
    error: str = ""

    @property
    def passed(self) -> bool:
        """Tell whether the suite ran and no test failed."""
        return not self.error and bool(self.tests) and not self.failed

    @property
    def failed(self) -> tuple[TestOutcome, ...]:
        """List the tests that failed."""
        return tuple(test for test in self.tests if test.ending == "failed")

    @property
    def notes(self) -> tuple[str, ...]:
        """List what the operator should know though no test failed for it."""
        return tuple(f"{test.test}: {test.reason}" for test in self.tests if test.ending == "noted")

    def as_json(self) -> dict[str, object]:
        """Return plain data, for `--json`."""
        return {**asdict(self), "ok": self.passed, "notes": self.notes, "summary": self.summary()}

    def summary(self) -> str:
        """Write one line: the first failure, and the number of the others."""
        if self.error:
            return self.error
        if not self.failed:
            notes = len(self.notes)
            return f"{len(self.tests)} tests passed" + (f", {notes} with a note" if notes else "")
        first = self.failed[0]
        more = f", and {len(self.failed) - 1} more" if len(self.failed) > 1 else ""
        return f"{first.subject}: {first.test}: {first.reason}{more}"


class Collector:
    """Collect outcomes as a pytest plugin."""

    def __init__(self) -> None:
        self.tests: list[TestOutcome] = []
        self.error = ""

    def pytest_keyboard_interrupt(self, excinfo: pytest.ExceptionInfo[BaseException]) -> None:
        """Record that the suite ended early: the boat does not answer, or a signal came."""
        self.error = harmless(str(excinfo.value) or "interrupted", 4 * MAX_REASON_CHARS)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Count a test once: its call, or the setup that kept it from being called."""
        if report.when == "call" or not report.passed:
            path, _, name = report.nodeid.partition("::")
            note = dict(report.user_properties).get(NOTE)
            self.tests.append(
                TestOutcome(
                    subject=Path(path).stem.removeprefix("test_"),
                    test=name.removeprefix("test_").replace("_", " ").replace("[", " ["),
                    ending="noted" if note and report.passed else report.outcome,
                    seconds=round(report.duration, 2),
                    reason=reason(report) or harmless(str(note or ""), MAX_REASON_CHARS),
                )
            )


def reason(report: pytest.TestReport) -> str:
    """Return the line that says why a test failed or was skipped, without pytest's own lines."""
    crash = getattr(report.longrepr, "reprcrash", None)
    if crash is not None:
        first, *_ = [*str(crash.message).splitlines(), ""]
        return harmless(first.removeprefix("AssertionError: "), MAX_REASON_CHARS)
    if isinstance(report.longrepr, tuple):
        return harmless(str(report.longrepr[2]).removeprefix("Skipped: "), MAX_REASON_CHARS)
    return ""


def run_suite(
    job_file: Path,
    endpoint: Endpoint,
    state: State,
    subjects: Sequence[str] = (),
    options: Sequence[str] = (),
) -> VerifyResult:
    """Run the suite in this process: all of it, or only its files about `subjects`."""
    # Imported here, so that only a proof waits for pytest.
    import pytest  # noqa: PLC0415

    job = Job.read(job_file)
    suite = shipped("tests/boat")
    files = [suite / f"test_{subject}.py" for subject in subjects] or [suite]
    collector = Collector()
    start = time.monotonic()
    host = f"[{endpoint.host}]" if ":" in endpoint.host else endpoint.host
    with contextlib.redirect_stdout(sys.stderr):
        status = pytest.main(
            [
                *("-c", os.devnull, "--rootdir", str(suite), "--import-mode=importlib"),
                *(*without_unused_plugins(), "--tb=short", "-q"),
                f"--at={host}:{endpoint.port}",
                f"--job={job_file}",
                f"--state={state}",
                *options,
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
    """Build the command that proves a boat. The endpoint, state and subjects follow it."""
    return [sys.executable, "-P", "-m", "provision.verify.runner", str(job_file)]


def prove(
    job_file: Path,
    endpoint: Endpoint,
    state: State,
    subjects: Sequence[str] = (),
    *,
    under_way: bool = False,
) -> VerifyResult:
    """Prove the boat of a job file in a new process.

    `subjects` names files of the suite, as outcomes do; without any, all of it runs. With
    `under_way` every silent instrument fails.
    """
    options = ["--under-way"] if under_way else []
    boat = Job.read(job_file).boat
    try:
        done = collect(
            [*command(job_file), endpoint.host, str(endpoint.port), state, *options, *subjects],
            limit=MAX_ANSWERS_BYTES,
            errors=MAX_ANSWERS_BYTES,
            timeout=PROOF_TIMEOUT_S,
        )
    except TooMuch as error:
        return VerifyResult(boat, PROOF_TIMEOUT_S, (), f"the proof was ended: {error}")
    except subprocess.TimeoutExpired:
        return VerifyResult(
            boat, PROOF_TIMEOUT_S, (), f"the proof did not end within {PROOF_TIMEOUT_S} s"
        )
    try:
        found = read_json(done.stdout)
    except ValueError:
        raise UserError(
            f"the suite could not run: {done.errors[-2000:]}",
            hint="see that the installation is whole: tools/install",
        ) from None
    del found["ok"], found["notes"], found["summary"]
    tests = tuple(TestOutcome(**test) for test in found.pop("tests"))
    return VerifyResult(tests=tests, **found)


def main() -> int:
    """Prove the boat of the job file that the command line names."""
    try:
        _, job_file, host, port, state, *rest = sys.argv
        options = [word for word in rest if word.startswith("--")]
        subjects = [word for word in rest if not word.startswith("--")]
        endpoint = Endpoint(host, int(port))
    except ValueError:
        state = ""
    if state not in ("kept", "trial"):
        usage = "verify JOB HOST PORT kept|trial [--before=FILE] [--under-way] [SUBJECT...]"
        print(f"usage: {usage}", file=sys.stderr)
        return 2
    # Nothing is to change pytest from outside, nor to be written beside the suite.
    for name in [name for name in os.environ if name.startswith("PYTEST_")]:
        del os.environ[name]
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    sys.dont_write_bytecode = True
    with contextlib.suppress(OSError):
        share_compiled_files(Path(job_file))
    result = run_suite(Path(job_file), endpoint, state, subjects, options)  # type: ignore[arg-type]
    print(json.dumps(result.as_json()))
    return 2 if result.error else int(not result.passed)


if __name__ == "__main__":
    sys.exit(main())
