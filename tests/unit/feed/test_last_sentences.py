# SPDX-License-Identifier: GPL-3.0-or-later
"""The state reports the last minute and the last sentences."""

from __future__ import annotations

import itertools
import string

from provision.onboard.feed.nmea0183.sentence import make
from provision.onboard.feed.sources.last_sentences import KEPT, MAX_KEPT, LastSentences
from provision.onboard.feed.sources.statistics import Statistics

DPT = make("$SDDPT,12.8,0.5", origin="depth", heard=0)


def test_the_last_of_each_formatter_is_kept_with_its_age() -> None:
    last = LastSentences()
    last.keep([make("$GPRMC,1", origin="gnss", heard=1.0), DPT])
    last.keep([make("$GPRMC,2", origin="gnss", heard=2.0)])
    kept = last.as_json(2.5)
    assert kept["RMC"] == (0.5, make("$GPRMC,2", origin="", heard=0).raw.decode().rstrip())
    assert set(kept) == {"RMC", "DPT"}


def test_true_and_relative_wind_do_not_hide_each_other() -> None:
    last = LastSentences()
    for body in ("$WIMWV,214.8,R,10.0,N,A", "$WIMWV,200.0,T,9.0,N,A", "$WIMWV,1", "$WIMWV,1,X,1"):
        last.keep([make(body, origin="wind", heard=1.0)])
    kept = {key: raw for key, (_, raw) in last.as_json(1.0).items()}
    assert kept.keys() == {"MWV R", "MWV T"}
    assert kept["MWV R"].startswith("$WIMWV,214.8,R") and kept["MWV T"].startswith("$WIMWV,200.0,T")


def test_a_steering_sentence_is_kept_unless_it_may_be_old() -> None:
    last = LastSentences()
    apb = make("$GPAPB,A,A,0.10,R,N,V,V,011,M,DEST,011,M,011,M", origin="plotter", heard=1.0)
    last.keep([apb])
    assert "APB" in last.as_json(1.0)
    last.keep([apb._replace(stored=True)])
    assert last.as_json(1.0) == {}


def test_what_is_kept_is_bounded_in_number_and_length() -> None:
    last = LastSentences()
    for letters in itertools.islice(itertools.product(string.ascii_uppercase, repeat=3), 2000):
        last.keep([make(f"$II{''.join(letters)},1", origin="x", heard=0)])
    for formatter in KEPT:
        last.keep([make(f"$II{formatter},1", origin="x", heard=0)])
    assert len(last.as_json(0.0)) == MAX_KEPT
    last = LastSentences()
    last.keep([make(f"$SDDPT,{'1' * 100}", origin="x", heard=0)])
    assert last.as_json(0.0) == {}


def test_each_second_of_the_last_minute_is_counted() -> None:
    counts = Statistics(100.0)
    counts.heard(20, [DPT], 100.2)
    counts.heard(40, [DPT, DPT], 100.9)
    counts.heard(20, [DPT], 103.0)
    assert counts.minute(104.5) == [0] * 55 + [3, 0, 0, 1, 0]
    # A minute after the last sentence nothing is left, however long nobody counted.
    assert counts.minute(162.9) == [1] + [0] * 59
    assert counts.minute(163.0) == [0] * 60
    counts.heard(20, [DPT], 10_000.0)
    assert counts.minute(10_000.0) == [0] * 59 + [1]
