# SPDX-License-Identifier: GPL-3.0-or-later
"""Sentences, read back with pynmea2 (a general-purpose reference library on PyPI)."""

from __future__ import annotations

import doctest
from datetime import UTC, datetime

import pynmea2
import pytest

from provision.bench.simulation import sentences
from provision.bench.simulation.boat import Simulation
from provision.bench.simulation.sentences import FORMATTERS, checksum, compose, sentence
from provision.onboard.feed.nmea0183.sentence import MAX_SENTENCE_CHARS

MOMENT = datetime(2030, 12, 31, 23, 59, 58, 250_000, tzinfo=UTC)


@pytest.fixture(params=[0, 1, 2, 3])
def state(request):
    return Simulation(request.param).at(MOMENT)


def parsed(formatter, state):
    [line] = compose(formatter, state)
    return pynmea2.parse(line.decode("ascii"), check=True)


def test_examples_in_the_docstrings():
    assert doctest.testmod(sentences).failed == 0


@pytest.mark.parametrize(
    "line",
    # Worked examples printed in many receivers' manuals; recomputed.
    [
        "$GPGLL,5057.970,N,00146.110,E,142451,A*27",
        "$GPVTG,089.0,T,,,15.2,N,,*7F",
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    ],
)
def test_checksum_of_worked_examples(line):
    body, digits = line[1:].split("*")
    assert checksum(body) == digits
    address, *fields = body.split(",")
    assert sentence(address, fields) == f"{line}\r\n".encode()


@pytest.mark.parametrize("formatter", FORMATTERS)
def test_every_formatter_is_a_whole_valid_sentence(formatter, state):
    for line in compose(formatter, state):
        # At most 82 characters from the start delimiter to CR LF (IEC 61162-1).
        assert len(line) <= MAX_SENTENCE_CHARS == 82
        assert line.startswith(b"$") and line.endswith(b"\r\n")
        message = pynmea2.parse(line.decode("ascii"), check=True)
        assert message.sentence_type == formatter
        assert message.talker == FORMATTERS[formatter][0]


@pytest.mark.parametrize("formatter", ["RMC", "GGA", "GLL", "GNS"])
def test_position_and_time(formatter, state):
    message = parsed(formatter, state)
    assert float(message.latitude) == pytest.approx(state.fix.latitude, abs=1e-6)
    assert float(message.longitude) == pytest.approx(state.fix.longitude, abs=1e-6)
    assert message.timestamp.strftime("%H:%M:%S.%f") == "23:59:58.250000"


def test_date():
    state = Simulation().at(MOMENT)
    assert parsed("RMC", state).datestamp == MOMENT.date()
    zda = parsed("ZDA", state)
    assert (zda.year, zda.month, zda.day) == (2030, 12, 31)


def test_motion(state):
    rmc, vtg, vhw = (parsed(formatter, state) for formatter in ("RMC", "VTG", "VHW"))
    for speed in (rmc.spd_over_grnd, vtg.spd_over_grnd_kts):
        assert float(speed) == pytest.approx(state.ground_speed, abs=0.051)
    for course in (rmc.true_course, vtg.true_track):
        assert float(course) == pytest.approx(state.course, abs=0.051)
    assert float(vtg.spd_over_grnd_kmph) == pytest.approx(state.ground_speed * 1.852, abs=0.051)
    assert float(vhw.water_speed_knots) == pytest.approx(state.water_speed, abs=0.051)
    assert float(vhw.heading_true) == pytest.approx(state.heading, abs=0.051)


def test_heading_and_variation(state):
    hdg, hdt, hdm, rmc = (parsed(one, state) for one in ("HDG", "HDT", "HDM", "RMC"))
    signs = {"E": 1, "W": -1}
    assert float(hdg.variation) * signs[hdg.var_dir] == state.variation
    assert float(rmc.mag_variation) * signs[rmc.mag_var_dir] == state.variation
    assert float(hdt.heading) == pytest.approx(state.heading, abs=0.051)
    assert float(hdg.heading) == float(hdm.heading)
    assert float(hdm.heading) == pytest.approx(state.heading - state.variation, abs=0.051)


def test_wind(state):
    mwv, mwd, vwr = (parsed(one, state) for one in ("MWV", "MWD", "VWR"))
    assert (mwv.reference, mwv.wind_speed_units, mwv.status) == ("R", "N", "A")
    assert float(mwv.wind_angle) == pytest.approx(state.apparent_wind.angle, abs=0.051)
    assert float(mwv.wind_speed) == pytest.approx(state.apparent_wind.speed, abs=0.051)
    assert float(mwd.direction_true) == pytest.approx(state.true_wind_direction, abs=0.051)
    assert float(mwd.wind_speed_knots) == pytest.approx(state.true_wind_speed, abs=0.051)
    side = {"L": -1, "R": 1}[vwr.l_r]
    assert float(vwr.deg_r) * side % 360 == pytest.approx(float(mwv.wind_angle))


def test_depth_below_transducer_and_surface(state):
    dpt, dbt, dbs = (parsed(one, state) for one in ("DPT", "DBT", "DBS"))
    # A positive offset is the transducer's distance from the water line (IEC 61162-1).
    assert float(dpt.depth) + float(dpt.offset) == pytest.approx(state.depth, abs=0.051)
    assert float(dbt.depth_meters) == float(dpt.depth)
    assert float(dbt.depth_feet) == pytest.approx(float(dbt.depth_meters) / 0.3048, abs=0.3)
    assert float(dbs.depth_meter) == pytest.approx(state.depth, abs=0.051)


def test_satellites_come_in_a_numbered_group():
    lines = compose("GSV", Simulation().at(MOMENT))
    messages = [pynmea2.parse(line.decode("ascii"), check=True) for line in lines]
    assert [message.msg_num for message in messages] == ["1", "2"]
    assert {message.num_messages for message in messages} == {str(len(messages))}


def test_another_talker():
    [line] = compose("RMC", Simulation().at(MOMENT), talker="GN")
    assert line.startswith(b"$GNRMC,")


def test_what_the_simulation_cannot_know_is_sent_as_not_available():
    state = Simulation().at(MOMENT)
    assert compose("XDR", state) == [b"$IIXDR,*62\r\n"]
    assert compose("PABC", state) == [b"$PABC,*" + checksum("PABC,").encode() + b"\r\n"]


def test_a_sentence_too_long_is_refused():
    assert len(sentence("IIXDR", ["1" * 70])) == MAX_SENTENCE_CHARS
    with pytest.raises(ValueError, match="83 characters"):
        sentence("IIXDR", ["1" * 71])


@pytest.mark.parametrize(
    ("degrees", "fields"),
    [
        (0.0, ["0000.0000", "N"]),
        (59.9999999, ["6000.0000", "N"]),  # never 60 minutes
        (-33.5, ["3330.0000", "S"]),
    ],
)
def test_latitude(degrees, fields):
    assert sentences.latitude(degrees) == fields


def test_longitude():
    assert sentences.longitude(-2.45) == ["00227.0000", "W"]
    assert sentences.longitude(179.5) == ["17930.0000", "E"]
