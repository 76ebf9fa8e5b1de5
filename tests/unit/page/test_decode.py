# SPDX-License-Identifier: GPL-3.0-or-later
"""Values from sentences, each compared with a reference library."""

from __future__ import annotations

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.page.facts.decode import PRIME, READERS, decode, promised
from provision.onboard.page.view.values import NAMES
from tests.support.page.boat import line

#: Sentences, the key in the feed's state, the value, and how pynmea2 says the same number.
NUMBERS = [
    ("$GPRMC,142451,A,5057.970,N,00146.110,E,5.4,248.3,271126,,,A", "speed-over-ground",
     lambda m: m.spd_over_grnd),
    ("$GPRMC,142451,A,5057.970,N,00146.110,E,5.4,8.3,271126,,,A", "course-over-ground",
     lambda m: m.true_course),
    ("$GPVTG,089.0,T,,,15.2,N,,", "speed-over-ground", lambda m: m.spd_over_grnd_kts),
    ("$GPVTG,089.0,T,,,,,28.15,K", "speed-over-ground", lambda m: m.spd_over_grnd_kmph / 1.852),
    ("$GPVTG,,,091.0,M,15.2,N,,", "course-over-ground", lambda m: m.mag_track),
    ("$HCHDG,101.1,7.0,W,7.1,W", "heading", lambda m: float(m.heading) - float(m.deviation)),
    ("$HCHDM,182.7,M", "heading", lambda m: m.heading),
    ("$HCHDT,182.4,T", "heading", lambda m: m.heading),
    ("$SDDPT,12.8,", "depth-below-transducer", lambda m: m.depth),
    ("$SDDPT,12.8,-1.2", "depth-below-keel", lambda m: m.depth + m.offset),
    ("$SDDPT,12.8,0.5", "depth-water", lambda m: m.depth + m.offset),
    ("$SDDBT,7.8,f,2.4,M,1.3,F", "depth-below-transducer", lambda m: m.depth_meters),
    ("$SDDBT,7.8,f,,,,", "depth-below-transducer", lambda m: float(m.depth_feet) * 0.3048),
    ("$SDDBS,7.8,f,2.4,M,1.3,F", "depth-water", lambda m: m.depth_meter),
    ("$WIMWV,45.1,R,10.2,N,A", "apparent-wind-angle", lambda m: m.wind_angle),
    ("$WIMWV,45.1,R,5.1,M,A", "apparent-wind-speed", lambda m: float(m.wind_speed) / 0.514444),
    ("$WIMWV,200.1,T,10.2,K,A", "true-wind-speed", lambda m: float(m.wind_speed) / 1.852),
    ("$WIVWR,75.0,R,10.3,N,5.3,M,19.1,K", "apparent-wind-speed", lambda m: m.wind_speed_kn),
    ("$WIVWR,75.0,R,10.3,N,5.3,M,19.1,K", "apparent-wind-angle", lambda m: m.deg_r),
    ("$WIMWD,240.3,T,238.0,M,9.5,N,4.9,M", "true-wind-direction", lambda m: m.direction_true),
    ("$IIVHW,,T,253,M,5.2,N,9.6,K", "speed-through-water", lambda m: m.water_speed_knots),
    ("$IIMTW,17.9,C", "sea-temperature", lambda m: m.temperature),
    ("$TIROT,12.3,A", "rate-of-turn", lambda m: m.rate_of_turn),
    ("$GPXTE,A,A,0.67,L,N", "off-track", lambda m: m.cross_track_err_dist),
    ("$GPAPB,A,A,0.10,R,N,V,V,011,M,DEST,011,M,012,M", "heading-to-steer",
     lambda m: m.heading_to_dest),
    ("$GPRMB,A,0.66,L,003,004,4917.24,N,12309.57,W,001.3,052.5,000.5,V", "off-track",
     lambda m: m.cross_track_error),
]  # fmt: skip


def key_of(body: str) -> str:
    fields = body.split(",")
    formatter = fields[0][-3:]
    return f"MWV {fields[2]}" if formatter == "MWV" else formatter


@pytest.mark.parametrize(("body", "key", "theirs"), NUMBERS, ids=lambda one: str(one)[:20])
def test_a_number_is_the_reference_librarys(body, key, theirs) -> None:
    ours = decode(key_of(body), line(body))[key].text[0]
    tolerance = 0.5 if "°" in ours or key == "rate-of-turn" else 0.0501
    assert float(ours.rstrip("°")) == pytest.approx(
        float(theirs(pynmea2.parse(line(body)))), abs=tolerance
    )


@pytest.mark.parametrize(
    "body",
    [
        "$GPRMC,142451,A,5057.970,N,00146.110,W,5.4,248.3,271126,,,A",
        "$GPGGA,142451,0000.001,S,17959.9996,E,1,08,0.9,2.0,M,46.9,M,,",
        "$GPGLL,5057.970,N,00146.110,E,142451,A",
    ],
)
def test_a_position_is_the_reference_librarys(body: str) -> None:
    north, east = decode(key_of(body), line(body))["position"].text
    theirs = pynmea2.parse(line(body))
    for ours, degrees in ((north, theirs.latitude), (east, theirs.longitude)):
        whole, minutes = ours[:-3].split("°")
        sign = -1 if ours[-1] in "SW" else 1
        assert ours[-3] == PRIME
        assert sign * (int(whole) + float(minutes) / 60) == pytest.approx(degrees, abs=1e-5)


def test_a_position_without_decimals_or_with_too_many_degrees() -> None:
    value = decode("GLL", line("$GPGLL,5057,N,00146,E,142451,A"))["position"]
    assert value.text == (f"50°57.000{PRIME} N", f"1°46.000{PRIME} E")
    for wrong in ("9100.0,N,00146.0,E", "5057.0,X,00146.0,E", "557.0,N,00146.0,E", "5057.0,N,,"):
        assert decode("GLL", line(f"$GPGLL,{wrong},142451,A")) == {}


def test_time_and_date_are_the_reference_librarys() -> None:
    for body in ("$GPZDA,142451.00,27,11,2026,00,00",
                 "$GPRMC,142451,A,5057.970,N,00146.110,E,5.4,248.3,271126,,,A"):  # fmt: skip
        value = decode(key_of(body), line(body))["time"]
        theirs = pynmea2.parse(line(body))
        assert value.text == (theirs.timestamp.strftime("%H:%M:%S"),)
        assert value.unit == "UTC, 2026-11-27"


@pytest.mark.parametrize(
    "body",
    [
        "$GPRMC,142451,V,5057.970,N,00146.110,E,5.4,248.3,271126,,,A",
        "$GPRMC,142451,A,5057.970,N,00146.110,E,5.4,248.3,271126,,,N",
        "$GPVTG,089.0,T,,,15.2,N,,,N",
        "$GPGGA,142451,5057.970,N,00146.110,E,0,00,,,M,,M,,",
        "$GPGLL,5057.970,N,00146.110,E,142451,V",
        "$WIMWV,45.1,R,10.2,N,V",
        "$SDDPT,,0.5",
        "$TIROT,12.3,V",
        "$GPXTE,V,A,0.67,L,N",
        "$HCHDG,,,,,",
    ],
)
def test_what_is_not_valid_is_no_value(body: str) -> None:
    assert decode(key_of(body), line(body)) == {}


def test_sides_are_named() -> None:
    port = decode("MWV R", line("$WIMWV,314.5,R,14.2,N,A"))["apparent-wind-angle"]
    assert (port.text, port.unit) == (("45°",), "from the bow, to port")
    left = decode("VWR", line("$WIVWR,75.0,L,10.3,N,,,,"))["apparent-wind-angle"]
    assert (left.text, left.unit) == (("75°",), "from the bow, to port")
    right = decode("MWV T", line("$WIMWV,90,T,14.2,N,A"))["true-wind-angle"]
    assert right.unit == "from the bow, to starboard"
    assert decode("ROT", line("$TIROT,-30.0,A"))["rate-of-turn"].unit.endswith("to port")
    assert decode("XTE", line("$GPXTE,A,A,0.67,L,N"))["off-track"].unit.endswith("steer left")


def test_north_is_written_once() -> None:
    assert decode("HDT", line("$HCHDT,359.7,T"))["heading"].text == ("000°",)
    assert decode("HDT", line("$HCHDT,5,T"))["heading"].text == ("005°",)


def test_a_void_depth_is_missed_where_it_was() -> None:
    assert promised("DPT", line("$SDDPT,,-1.2")) == ("depth-below-keel",)
    assert promised("DPT") == ("depth-below-transducer",)


def test_every_value_has_a_name() -> None:
    found = {key for body, key, _ in NUMBERS} | {"position", "time"}
    assert found <= set(NAMES)
    assert {key for formatter in READERS for key in promised(formatter)} <= set(NAMES)


@given(
    st.sampled_from(sorted(READERS)), st.lists(st.text("0123456789.-ANVTRLMKEWSFC", max_size=12))
)
def test_any_fields_give_values_or_none(key: str, fields: list[str]) -> None:
    for name, value in decode(key, line(f"$II{key[:3]},{','.join(fields)}")).items():
        assert name in NAMES and all(value.text)


@given(st.sampled_from(sorted(READERS)), st.text(max_size=90))
def test_any_text_gives_values_or_none(key: str, raw: str) -> None:
    decode(key, raw)
