# SPDX-License-Identifier: GPL-3.0-or-later
"""The suite that proves a boat: what it is told, and how it asks the boat.

`provision verify BOAT` and the prove stage of a push run it; nothing here changes the boat.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
import testinfra

from provision.push.suite import Answer, Command, Job, ask

Ask = Callable[[Mapping[str, Command]], dict[str, Answer]]

#: pytest's exit status when the boat does not answer at all.
UNREACHABLE = 10

JOB = pytest.StashKey[Job]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """The file that says which boat to prove, and against what."""
    parser.addoption("--job", type=Path, required=True, help="the boat, as JSON")
    parser.addoption("--at", required=True, help="where it answers: an SSH address and port")
    parser.addoption("--state", choices=["kept", "trial"], default="kept")


def pytest_configure(config: pytest.Config) -> None:
    """Read the job once."""
    config.stash[JOB] = Job.read(config.getoption("--job"))


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """A test that takes `link` runs once for each link of the profile."""
    if "link" in metafunc.fixturenames:
        metafunc.parametrize("link", sorted(metafunc.config.stash[JOB].profile["links"]))


@pytest.fixture(scope="session")
def job(pytestconfig: pytest.Config) -> Job:
    """The boat to prove."""
    return pytestconfig.stash[JOB]


@pytest.fixture(scope="session")
def on_trial(pytestconfig: pytest.Config) -> bool:
    """Whether the settings are on trial: live, but not kept yet."""
    return bool(pytestconfig.getoption("--state") == "trial")


@pytest.fixture(scope="session")
def profile(job: Job) -> dict[str, Any]:
    """The boat's profile as plain data."""
    return job.profile


@pytest.fixture(scope="session")
def host(pytestconfig: pytest.Config, job: Job) -> Any:
    """The boat, over SSH."""
    place = pytestconfig.getoption("--at")
    return testinfra.get_host(f"ssh://{job.user}@{place}", ssh_config=job.ssh_config)


@pytest.fixture(scope="session")
def aboard(host: Any, job: Job) -> Ask:
    """Ask the boat several things over one SSH command.

    Once the boat does not answer, the suite ends: waiting for it once is enough.
    """

    def ask_or_end(commands: Mapping[str, Command]) -> dict[str, Answer]:
        try:
            return ask(host, commands)
        except RuntimeError as error:
            said = str(error.args[0].stderr).strip()
            pytest.exit(f"{job.boat} does not answer: {said}", returncode=UNREACHABLE)

    return ask_or_end


@pytest.fixture(scope="session")
def needs(aboard: Ask) -> Callable[[str], None]:
    """Skip a test whose unit is down: test_units.py fails for that, and says so once."""
    units = ("boat-feed.service", "chrony.service", "dnsmasq.service", "hostapd.service")
    states = aboard({unit: ["systemctl", "is-active", unit] for unit in units})

    def check(unit: str) -> None:
        if states[unit].status != 0:
            pytest.skip(f"{unit} is not active")

    return check
