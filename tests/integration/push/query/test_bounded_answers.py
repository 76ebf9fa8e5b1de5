# SPDX-License-Identifier: GPL-3.0-or-later
"""No more is taken of what answers in a boat's place than a limit says, and that is told."""

from __future__ import annotations

import os
import resource
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from provision.bounded import TooMuch, collect, read_json
from provision.push import status
from provision.push.ansible import playbook
from provision.push.ansible.inventory import BOUNDED_SSH
from provision.push.options import PushOptions
from provision.push.push import push
from provision.push.query import diff, poll
from provision.push.query.diff import FilesUnreadable
from provision.push.query.poll import StatusQuery
from provision.push.result import Outcome
from provision.push.status import fleet_status
from provision.ssh.endpoint import Endpoint
from provision.verify import runner
from tests.support.push.loopback import RigBoat

HERE = Endpoint("10.47.1.1")
QUERY = StatusQuery("kittiwake", "root", "1" * 64, (), (HERE,))

#: What hostile ends of a connection send.
ZEROS = "exec cat /dev/zero"
LINES = "exec yes"
ERRORS = "exec cat /dev/zero >&2"
DEEP = "printf '%100000s' '' | tr ' ' '['"


@pytest.fixture
def ssh(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Makes an `ssh` that sends what a shell command prints; `only` on a connection to a port."""

    def make(does: str, only: int | None = None) -> None:
        folder = tmp_path / "bin"
        folder.mkdir()
        own = f'case " $* " in *" -p {only} "*|*"Port={only} "*) {does};; esac' if only else does
        program = folder / "ssh"
        program.write_text(f'#!/bin/sh\n{own}\nexec /usr/bin/ssh "$@"\n')
        program.chmod(0o755)
        monkeypatch.setenv("PATH", f"{folder}:{os.environ['PATH']}")

    return make


@pytest.fixture(autouse=True)
def _memory() -> Any:
    """Give a test that keeps all that comes less memory than there is."""
    before = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (2**32, before[1]))
    yield
    resource.setrlimit(resource.RLIMIT_AS, before)


@pytest.mark.parametrize(
    ("does", "limit"), [(ZEROS, "1 MiB"), (LINES, "1 MiB"), (ERRORS, "64 KiB")]
)
def test_a_status_is_bounded(ssh: Callable[..., None], does: str, limit: str) -> None:
    ssh(does)
    heard = poll.ask(QUERY, HERE)
    assert heard.status is None
    assert heard.problem == (
        f"answers, but is not understood (version unknown): it sent more than {limit}"
    )


def test_a_status_that_is_nested_deep_is_not_understood(ssh: Callable[..., None]) -> None:
    ssh(f"{DEEP}; exit 0")
    heard = poll.ask(QUERY, HERE)
    assert heard.problem == "answers, but is not understood (version unknown)"


@pytest.mark.parametrize(("does", "limit"), [(ZEROS, "8 MiB"), (ERRORS, "64 KiB")])
def test_a_boats_files_are_bounded(ssh: Callable[..., None], does: str, limit: str) -> None:
    ssh(does)
    with pytest.raises(FilesUnreadable, match=f"it sent more than {limit}"):
        diff.fetch(QUERY, HERE, ["/etc/hostname"])


def test_what_is_no_archive_of_files_is_none(ssh: Callable[..., None]) -> None:
    ssh("echo good morning; exit 0")
    with pytest.raises(FilesUnreadable, match="no archive"):
        diff.fetch(QUERY, HERE, ["/etc/hostname"])


@pytest.fixture(scope="module")
def boats(rig: Callable[..., RigBoat]) -> list[RigBoat]:
    return [rig("floods"), rig("quiet")]


@pytest.mark.parametrize(("does", "limit"), [(ZEROS, "1 MiB"), (ERRORS, "64 KiB")])
def test_a_fleet_has_a_row_for_a_boat_that_pours(
    boats: list[RigBoat], ssh: Callable[..., None], does: str, limit: str
) -> None:
    ssh(does, only=boats[0].port)
    at = {boat.open_boat.name: boat.endpoint for boat in boats}
    floods, quiet = fleet_status([boat.open_boat for boat in boats], at)
    assert floods.health_issues == (
        f"answers, but is not understood (version unknown): it sent more than {limit}",
    )
    assert quiet.up_to_date


@pytest.mark.parametrize(("does", "limit"), [(ZEROS, "1 MiB"), (ERRORS, "64 KiB")])
def test_a_push_refuses_a_boat_that_pours_and_reaches_the_other(
    boats: list[RigBoat], ssh: Callable[..., None], does: str, limit: str
) -> None:
    ssh(does, only=boats[0].port)
    at = {boat.open_boat.name: boat.endpoint for boat in boats}
    floods, quiet = push([boat.open_boat for boat in boats], PushOptions(at=at, prove=False))
    assert floods.outcome is Outcome.REFUSED
    assert f"it sent more than {limit}" in floods.reason
    assert quiet.outcome is Outcome.UNCHANGED


@pytest.mark.parametrize(("does", "limit"), [(ZEROS, "4 MiB"), (ERRORS, "64 KiB")])
def test_a_proof_of_a_boat_that_pours_ends(
    boats: list[RigBoat], ssh: Callable[..., None], does: str, limit: str
) -> None:
    ssh(does, only=boats[0].port)
    with status.workspace() as folder:
        (wanted,) = status.prepare(
            [boats[0].open_boat], folder, {boats[0].open_boat.name: boats[0].endpoint}
        )
        proof = runner.prove(wanted.folder / "job.json", boats[0].endpoint, "kept")
    assert not proof.passed
    assert f"it sent more than {limit}" in proof.error


def test_a_program_without_output_is_ended_in_time() -> None:
    start = time.monotonic()
    with pytest.raises(subprocess.TimeoutExpired):
        collect(["sleep", "60"], limit=1, timeout=0.2)
    with pytest.raises(subprocess.TimeoutExpired):
        collect(["sh", "-c", "exec >&- 2>&-; sleep 60"], limit=1, timeout=0.2)
    assert time.monotonic() - start < 30


def test_what_is_within_the_limit_comes_whole() -> None:
    said = collect(["sh", "-c", "cat; echo two >&2; exit 3"], limit=10**6, given=b"1" * 10**6)
    assert (said.status, said.stdout, said.stderr) == (3, b"1" * 10**6, b"two\n")
    with pytest.raises(TooMuch, match="more than 976 KiB"):
        collect(["cat"], limit=10**6, given=b"1" * (10**6 + 1))


def test_a_line_of_the_playbook_without_end_is_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(playbook, "MAX_EVENT_CHARS", 100)
    file = tmp_path / "events"
    long = "x" * 350
    file.write_text(f'{{"one": 1}}\n{long}\n{"y" * 99}\n{"z" * 100}\n{{"two": 2}}')
    with file.open() as stream:
        assert list(playbook.lines(stream)) == ['{"one": 1}\n', "y" * 99 + "\n", '{"two": 2}']


@pytest.mark.parametrize(
    "text", ["[" * 100_000, '{"a":' * 100_000, "NaN", "-Infinity", "1e999", r'"\ud800"', "1" * 5000]
)
def test_json_that_cannot_be_written_again_is_none(text: str) -> None:
    with pytest.raises(ValueError):
        read_json(text)


def test_ansible_can_start_what_it_is_given_as_ssh() -> None:
    done = subprocess.run([BOUNDED_SSH, "-V"], capture_output=True, text=True, check=True)
    assert done.stderr.startswith("OpenSSH")
