# SPDX-License-Identifier: GPL-3.0-or-later
"""The suite that proves a boat: what it is told, and how it asks the boat.

`provision verify BOAT` and the prove stage of a push run it; nothing here changes the boat.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
import testinfra

from provision.profile.schema.charts import CHARTS_PORT
from provision.verify.heard import Verdict
from provision.verify.job import (
    NOTE,
    Answers,
    BoundedHost,
    Conclude,
    Job,
    Unanswered,
    ask,
    read_before,
)

#: pytest's exit status when the boat does not answer at all.
UNREACHABLE = 10

#: Units that some tests need, and where the answers about them are.
UNITS = ("boat-feed.service", "chrony.service", "hostapd.service")
NEEDED = "needed"

JOB = pytest.StashKey[Job]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the option --job: the file that says which boat to prove, and against what."""
    parser.addoption("--job", type=Path, required=True, help="the boat, as JSON")
    parser.addoption("--at", required=True, help="where it answers: an SSH address and port")
    parser.addoption("--state", choices=["kept", "trial"], default="kept")
    parser.addoption("--before", type=Path, help="the feed's state before the change, as JSON")
    parser.addoption("--under-way", action="store_true", help="every silence fails")


def pytest_configure(config: pytest.Config) -> None:
    """Read the job once."""
    job = Job.read(config.getoption("--job"))
    before = config.getoption("--before")
    if before is not None and config.getoption("--state") == "trial":
        job = replace(job, feed_before=read_before(before))
    config.stash[JOB] = job


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Run a test that takes `link` once for each serial link of the profile, `can_link` for each
    NMEA 2000 network, `network_input` for each input, `page_address` if there is a page,
    `charts_port` if there are charts, and `own_tablet` for each tablet with a pass-phrase of its
    own."""
    profile = metafunc.config.stash[JOB].profile
    if "network_input" in metafunc.fixturenames:
        metafunc.parametrize("network_input", sorted(profile["inputs"]) or [None])
    if "page_address" in metafunc.fixturenames:
        address = str(profile["network"]["address"]).partition("/")[0]
        metafunc.parametrize("page_address", [address if profile.get("page") else None])
    if "charts_port" in metafunc.fixturenames:
        metafunc.parametrize("charts_port", [CHARTS_PORT if profile.get("charts") else None])
    links, tablets = profile["links"], profile["network"]["tablets"]
    if "own_tablet" in metafunc.fixturenames:
        own = sorted(name for name in tablets if tablets[name]["own_pass_phrase"])
        metafunc.parametrize("own_tablet", own or [None])
    for fixture, key in (("link", "adapter"), ("can_link", "can")):
        if fixture in metafunc.fixturenames:
            names: list[str | None] = sorted(name for name in links if key in links[name])
            metafunc.parametrize(fixture, names or [None])


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave out tests of links that the profile does not have: nothing is to be proven there."""
    items[:] = [item for item in items if None not in _parameters(item).values()]


def _parameters(item: pytest.Item) -> dict[str, object]:
    return item.callspec.params if hasattr(item, "callspec") else {}


@pytest.fixture(scope="session")
def job(pytestconfig: pytest.Config) -> Job:
    """Give the boat to prove."""
    return pytestconfig.stash[JOB]


@pytest.fixture(scope="session")
def on_trial(pytestconfig: pytest.Config) -> bool:
    """Report whether the settings are on trial: live, but not kept yet."""
    return bool(pytestconfig.getoption("--state") == "trial")


@pytest.fixture
def conclude(request: pytest.FixtureRequest) -> Conclude:
    """End a test by a verdict about an instrument. With --under-way a note about one fails."""
    under_way = bool(request.config.getoption("--under-way"))

    def end(verdict: Verdict, note: str = "") -> None:
        reason = verdict.reason or note
        assert verdict.ending != "failed", reason
        assert not (under_way and verdict.ending == "noted"), reason
        if reason:
            request.node.user_properties.append((NOTE, reason))

    return end


@pytest.fixture(scope="session")
def profile(job: Job) -> dict[str, Any]:
    """Give the boat's profile as plain data."""
    return job.profile


@pytest.fixture(scope="session")
def host(pytestconfig: pytest.Config, job: Job) -> BoundedHost:
    """Give the boat, over SSH."""
    endpoint = pytestconfig.getoption("--at")
    return BoundedHost(
        testinfra.get_host(f"ssh://{job.user}@{endpoint}", ssh_config=job.ssh_config)
    )


@dataclass(frozen=True)
class Gathered:
    """Holds the boat's answers by file, and when it was asked, from and to, on our own clock."""

    answers: dict[str, Answers]
    asked: tuple[float, float]


@pytest.fixture(scope="session")
def gathered(request: pytest.FixtureRequest, host: Any, job: Job) -> Gathered:
    """Give what the boat answers to the `commands` of each file whose tests run.

    Once the boat does not answer, the suite ends: waiting for it once is enough.
    """
    modules = dict.fromkeys(item.module for item in request.session.items)  # type: ignore[attr-defined]
    commands = {module.__name__: module.commands(job) for module in modules}
    commands[NEEDED] = {unit: ["systemctl", "is-active", unit] for unit in UNITS}
    start = time.time()
    try:
        return Gathered(ask(host, commands), (start, time.time()))
    except RuntimeError as error:
        said = str(error.args[0].stderr).strip() or "the connection was lost"
        pytest.exit(f"{job.boat} does not answer: {said}", returncode=UNREACHABLE)
    except Unanswered as error:
        pytest.exit(f"{job.boat} cannot be asked: {error}", returncode=UNREACHABLE)


@pytest.fixture(scope="module")
def facts(request: pytest.FixtureRequest, gathered: Gathered) -> Answers:
    """Give what the boat answers to the `commands` of this file."""
    return gathered.answers[request.module.__name__]


@pytest.fixture(scope="session")
def asked(gathered: Gathered) -> tuple[float, float]:
    """Give when the boat was asked, from and to, in seconds since the epoch on our own clock."""
    return gathered.asked


@pytest.fixture(scope="session")
def needs(gathered: Gathered) -> Callable[[str], None]:
    """Skip a test whose unit is down: test_units.py fails for that, and says so once."""

    def check(unit: str) -> None:
        if gathered.answers[NEEDED][unit].status != 0:
            pytest.skip(f"{unit} is not active")

    return check
