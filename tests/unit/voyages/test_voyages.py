# SPDX-License-Identifier: GPL-3.0-or-later
"""Days, tracks and sentences of a voyage log. The references are pynmea2 and gpxpy's own reader."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import gpxpy
import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.errors import UserError
from provision.onboard.feed.nmea0183.sentence import frame
from provision.voyages.days import Logbook
from provision.voyages.export import choose_source, sentences, track
from provision.voyages.position import read_fix
from tests.support.voyage import BEGIN, log, rmc, voyage


@given(
    st.floats(-90, 90).map(lambda value: round(value, 4)),
    st.floats(-180, 180).map(lambda value: round(value, 4)),
)
def test_a_fix_is_what_the_reference_reads(north: float, east: float) -> None:
    line = rmc(north, east)
    fix, reference = read_fix(line), pynmea2.parse(line.decode().strip())
    assert fix is not None
    assert (fix.north, fix.east) == pytest.approx((reference.latitude, reference.longitude))


@pytest.mark.parametrize(
    "line",
    [
        rmc(50, 1, status="V"),
        rmc(50, 1, mode="E"),
        rmc(50, 1, mode="S"),
        rmc(50, 1).replace(b"5000", b"5100"),  # the checksum is wrong
        frame("$GPRMC,220000,A,9100.0,N,00100.0,E,5.4,248.3,030526,,,A"),
        frame("$GPRMC,220000,A,5060.0,N,00100.0,E,5.4,248.3,030526,,,A"),
        frame("$GPRMC,220000,A,5000.0,X,00100.0,E,5.4,248.3,030526,,,A"),
        frame("$GPRMC,220000,A,,,,,,,030526,,,A"),
        frame("$GPRMC,220000,A"),
        frame("$GPGLL,5057.970,N,00146.110,E,142451,A"),
        b"",
    ],
)
def test_what_is_no_valid_fix(line: bytes) -> None:
    assert read_fix(line) is None


@given(st.binary(max_size=100))
def test_any_bytes_can_be_read(line: bytes) -> None:
    assert read_fix(b"$GPRMC," + line) is None or line


def logbook(folder: Path) -> Logbook:
    return Logbook([voyage(folder)], zone=timezone(timedelta(hours=1)))


def test_days_are_local_and_the_clock_of_before_the_fix_is_mended(tmp_path: Path) -> None:
    """The day changes at 23:00 UTC where clocks are an hour ahead."""
    days = logbook(tmp_path).days()
    assert [str(day.day) for day in days] == ["2026-05-03", "2026-05-04"]
    assert days[0].begin == pytest.approx(BEGIN)
    assert days[0].sentences == {"gnss": 721}
    assert days[1].sentences == {"gnss": 120, "depth-log": 1}


def test_a_track_is_read_again_by_the_reference(tmp_path: Path) -> None:
    book = logbook(tmp_path)
    entries = list(book.of(book.days()[0]))
    assert choose_source(entries) == "gnss"
    text = track(entries, "gnss", "tern <2026>", every=60)
    (drawn,) = gpxpy.parse(text).tracks
    assert drawn.name == "tern <2026>"
    points = drawn.segments[0].points
    assert len(points) == 60
    assert points[1].latitude == pytest.approx(50.059, abs=0.01)
    assert points[0].time == datetime.fromtimestamp(BEGIN, UTC)
    whole = track([*entries, *book.of(book.days()[1])], "gnss", "tern", every=0)
    assert [len(segment.points) for segment in gpxpy.parse(whole).tracks[0].segments] == [721, 120]


def test_sentences_come_out_as_they_were_heard(tmp_path: Path) -> None:
    book = logbook(tmp_path)
    text = sentences(book.of(book.days()[1]))
    assert text.count(b"\r\n") == 121
    assert text.startswith(frame("$SDDPT,12.8,-1.2"))


def test_a_day_without_a_fix_says_so(tmp_path: Path) -> None:
    file = log(tmp_path / "a.gz", [(BEGIN, 1.0, "depth-log", frame("$SDDPT,12.8,-1.2"))])
    book = Logbook([file], zone=UTC)
    with pytest.raises(UserError, match="no fix"):
        choose_source(book.of(book.days()[0]))


def test_damage_is_counted_once_and_the_rest_is_read(tmp_path: Path) -> None:
    book = logbook(tmp_path)
    file = book.files[0]
    whole = file.read_bytes()
    file.write_bytes(whole + b"\0garbage that is none" * 9 + whole)
    assert sum(day.sentences.total() for day in book.days()) > 841
    assert 0 < book.damaged < 1000
