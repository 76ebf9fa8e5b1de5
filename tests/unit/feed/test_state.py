# SPDX-License-Identifier: GPL-3.0-or-later
from pathlib import Path

import pytest

from provision.onboard.feed.config.json_reader import ConfigError
from provision.onboard.feed.nmea0183.sentence import make
from provision.onboard.feed.report.fault_log import MAX_FAULTS, FaultLog
from provision.onboard.feed.sources.statistics import MAX_FORMATTERS, Statistics
from provision.onboard.feed.state_query import ask


def test_nobody_there_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="reports no state"):
        ask(str(tmp_path / "none"))


def test_rates_follow_the_last_seconds_only() -> None:
    counts = Statistics(0.0)
    dpt = make("$SDDPT,1,", origin="x", heard=0)
    for second in range(1, 31):
        counts.heard(20, [dpt, dpt], float(second))
    assert counts.rates(30.5) == {"DPT": pytest.approx(2.0, abs=0.15)}
    assert counts.bytes_per_second(30.5) == pytest.approx(20, abs=1.5)
    # Silent for a minute: the rate is nought, the counters stay.
    counts.rates(45.0)
    assert counts.rates(90.0) == {"DPT": 0.0}
    assert (counts.sentences, counts.bytes, counts.last_heard) == (60, 600, 30.0)


def test_what_an_adapter_had_stored_up_is_no_rate() -> None:
    counts = Statistics(0.0)
    dpt = make("$SDDPT,1,", origin="x", heard=0)
    counts.heard(200, [dpt] * 20, 0.1)
    assert counts.rates(0.5) == {"DPT": 0.0} and counts.over(0.5) == 0.0
    for second in range(1, 9):
        counts.heard(10, [dpt], second + 0.2)
    assert counts.over(9.0) == pytest.approx(7.8)
    assert counts.rates(9.0) == {"DPT": pytest.approx(1.0, abs=0.1)}
    # Opened again, it has stored up again.
    counts.opened(60.0)
    counts.heard(200, [dpt] * 20, 60.1)
    assert counts.rates(61.5) == {"DPT": 0.0}
    assert counts.sentences == 48


def test_made_up_formatters_eat_no_memory() -> None:
    counts = Statistics(0.0)
    for number in range(1000):
        counts.heard(20, [make(f"$PX{number},1", origin="x", heard=0)], 1.0)
    assert len(counts.rates(2.0)) == MAX_FORMATTERS
    assert counts.sentences == 1000


def test_a_fault_is_named_once_and_after_an_hour_again(caplog: pytest.LogCaptureFixture) -> None:
    now = [0.0]
    fault_log = FaultLog(lambda: now[0])
    for second in range(3601):
        now[0] = float(second)
        fault_log.warn("gnss", "noise", "noise")
    lines = [record.getMessage() for record in caplog.records]
    assert lines == [
        "gnss: noise",
        "gnss: noise (3599 more of these since it was last named)",
    ]
    for number in range(2 * MAX_FAULTS):
        fault_log.warn(f"client {number}", "noise", "noise")
    assert len(fault_log._named) == MAX_FAULTS
