# SPDX-License-Identifier: GPL-3.0-or-later
"""The table of statuses and modes, against two reference libraries and sentence by sentence."""

from __future__ import annotations

import inspect
import re

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pynmea2.types import talker as reference

from provision.onboard.feed.nmea0183.kinds import KIND_OF
from provision.onboard.feed.nmea0183.sentence import STEERS, make
from provision.onboard.feed.nmea0183.validity import DATA, MUTE, VOID_MODES, is_void, says_something

#: How pynmea2 names a field that says something of validity.
SAYS_VALIDITY = re.compile("status|mode|valid|warning|lock|quality", re.IGNORECASE)

#: Fields with such a name that say something else (IEC 61162-1, from memory).
OTHER_MEANING = {
    ("ALM", 13),  # a satellite's clock
    ("ALM", 14),
    ("GRS", 1),  # how residuals were computed
    ("GSA", 0),  # whether 2D or 3D is chosen by hand
    ("GSA", 1),  # of a sentence that no source is chosen by
    ("RMC", 12),  # V where the receiver does not provide it
    ("TLL", 7),  # a target's
    ("TTM", 11),  # a target's
}

#: Fields that pynmea2 1.19 does not have: those of later editions, from memory, and as
#: pynmeagps 1.1.8 has them.
LATER = {
    *(("APB", 14), ("XTE", 5), ("RMB", 13), ("BWC", 12), ("BWR", 12), ("WCV", 3)),
    *(("VBW", 7), ("VBW", 9)),
}


def their_fields(formatter: str) -> list[str]:
    """Return the names of a sentence's fields; empty where pynmea2 does not know it."""
    known = getattr(reference, formatter, None)
    if not inspect.isclass(known) or not issubclass(known, pynmea2.TalkerSentence):
        return []
    return [f"{field[0]} {field[1]}" for field in known.fields]  # type: ignore[attr-defined]


def checked_fields(formatter: str) -> set[int]:
    return {check.field for datum in DATA[formatter] for check in datum.checks}


def test_every_status_and_mode_that_pynmea2_knows_decides() -> None:
    formatters = [name for name in dir(reference) if re.fullmatch("[A-Z]{3}", name)]
    theirs = {
        (formatter, number)
        for formatter in formatters
        for number, name in enumerate(their_fields(formatter))
        if SAYS_VALIDITY.search(name)
    }
    ours = {(formatter, field) for formatter in DATA for field in checked_fields(formatter)}
    assert len(theirs) > 20
    assert theirs - ours == OTHER_MEANING
    unknown = {(formatter, field) for formatter, field in ours if not their_fields(formatter)}
    assert ours - theirs - unknown == LATER
    assert {formatter for formatter, _ in unknown} == {"THS", "HCR", "HMR", "ROR", "CUR"}


def test_data_are_where_pynmea2_has_a_value() -> None:
    """No datum is a unit, a status or the name of a waypoint."""
    seen = 0
    for formatter, data in DATA.items():
        # Fields of later editions stand behind those that pynmea2 has.
        described = dict(enumerate(name.lower() for name in their_fields(formatter)))
        for field in {field for datum in data for field in datum.fields} & described.keys():
            seen += 1
            wrong = re.search("^unit|units |symbol|status|mode|waypoint id", described[field])
            assert not wrong, (formatter, field, described[field])
    assert seen > 60


#: Formatters of the table that pynmeagps 1.1.8 does not have. pynmea2 has them all but DBK.
NOT_THEIRS = {"DBK", "DBS", "VWR", "VWT"}

#: How pynmeagps names a field that says something of validity, and those that say something
#: else (IEC 61162-1, from memory).
THEIR_VALIDITY = re.compile("status$|mode$|^mi$|^valid$|hdgstate|warn|quality", re.IGNORECASE)
THEIR_OTHERS = {
    ("RMC", 12),  # V where the receiver does not provide it
    ("GNS", 12),
    ("RMB", 12),  # arrival at the waypoint
    ("HSC", 4),  # a command or a report
    ("HMR", 4),  # two compasses differ by more than is set
}

#: The kinds of fields in pynmeagps that hold a measured value, with its hemisphere, or a letter.
VALUES, LETTERS = {"DE", "IN", "TM", "LA", "LAD", "LN", "LND"}, {"CH", "ST", "IN"}


def their_layouts() -> dict[str, list[tuple[str, str]]]:
    """Name and kind of each field that pynmeagps has, by formatter of the table."""
    layouts = pytest.importorskip(
        "pynmeagps.nmeatypes_get", reason="the reference library is not installed"
    ).NMEA_PAYLOADS_GET
    return {name: list(layouts[name].items()) for name in DATA if name in layouts}


def test_each_layout_is_that_of_pynmeagps() -> None:
    theirs = their_layouts()
    assert set(DATA) - set(theirs) == NOT_THEIRS
    assert {name for name in NOT_THEIRS if not their_fields(name)} == {"DBK"}
    for formatter, layout in theirs.items():
        checked = {field for field in checked_fields(formatter) if field < len(layout)}
        # The mode of BEC is that of a later edition.
        assert checked_fields(formatter) - checked == ({12} if formatter == "BEC" else set())
        said = {field for field, (name, _) in enumerate(layout) if THEIR_VALIDITY.search(name)}
        other = {field for known, field in THEIR_OTHERS if known == formatter}
        assert said - other == checked, (formatter, layout)
        assert {layout[field][1] for field in checked} <= LETTERS, (formatter, layout)
        values = {field for datum in DATA[formatter] for field in datum.fields}
        assert {layout[field][1] for field in values} <= VALUES, (formatter, layout)


def test_every_formatter_of_a_kind_is_in_the_table_or_only_goes_with_it() -> None:
    assert set(KIND_OF) - set(DATA) == {"GSA", "GSV", "GBS", "GST", "GRS", "DTM"}
    assert set(KIND_OF) - set(DATA) <= MUTE
    assert MUTE & set(DATA) == {"VTG", "ROT", "VLW"}


@pytest.mark.parametrize(
    ("body", "says", "void"),
    [
        # Heading: no rate of turn is one, and a status or mode that is not A decides.
        ("$HEHDT,,T", False, True),
        ("$HEHDT,123.4,T", True, False),
        ("$HEROT,0.0,A", False, False),
        ("$HEROT,0.0,V", False, True),
        ("$HEROT,,A", False, True),
        ("$HETHS,123.4,A", True, False),
        *((f"$HETHS,123.4,{mode}", False, True) for mode in ("E", "M", "S", "V", "N", "")),
        ("$HETHS,,A", False, True),
        ("$HETHS,123.4", False, True),
        ("$HCHDG,,,,7.1,W", False, True),
        ("$RAOSD,123.4,V,120.0,W,5.0,W,,,N", False, True),
        # Log: the paddle wheel is dead, compass, echo sounder and counter go on.
        ("$VWVHW,101.0,T,108.0,M,,N,,K", False, False),
        ("$VWVHW,,T,,M,5.1,N,,K", True, False),
        ("$VWVHW,,T,,M,,N,,K", False, True),
        ("$VWVLW,2809.6,N,69.5,N", False, False),
        ("$VWVLW,,N,,N", False, True),
        ("$VDVBW,5.1,0.1,A,5.3,0.2,A", True, False),
        ("$VDVBW,5.1,0.1,V,5.3,0.2,A", False, False),
        ("$VDVBW,5.1,0.1,V,5.3,0.2,V", False, True),
        ("$VDVBW,,,A,,,A", False, True),
        ("$VDVBW,5.1,0.1,V,5.3,0.2,V,0.3,V,0.4,A", False, False),
        # Position: each mode of IEC 61162-1, whatever the status says.
        *(
            (f"$GPRMC,123519,A,4807.038,N,01131.000,E,22.4,84.4,230394,,,{mode}", True, False)
            for mode in "ADPRF"
        ),
        *(
            (f"$GPRMC,123519,A,4807.038,N,01131.000,E,22.4,84.4,230394,,,{mode}", False, True)
            for mode in "EMNS"
        ),
        ("$GPRMC,123519,V,4807.038,N,01131.000,E,22.4,84.4,230394,,,A", False, True),
        ("$GPRMC,123519,A,4807.038,N,,,22.4,84.4,230394,,,A", False, False),
        ("$GPRMC,123519,A,4807.038,N,01131.000,E,22.4,84.4,230394,,,A,V", True, False),
        ("$GPGLL,5057.970,N,00146.110,E,142451,A,E", False, True),
        ("$GPGLL,5057.970,N,00146.110,E,142451,V,A", False, True),
        ("$GPGLL,5057.970,N,,E,142451,A,A", False, True),
        *(
            (f"$GPGGA,123519,4807.038,N,01131.000,E,{q},08,0.9,545.4,M,46.9,M,,", q in "12345",
             q not in "12345")
            for q in "012345678"
        ),
        ("$GNGNS,123519,4807.038,N,01131.000,E,AE,08,0.9,545.4,46.9,,,V", True, False),
        ("$GNGNS,123519,4807.038,N,01131.000,E,EN,08,0.9,545.4,46.9,,", False, True),
        ("$GNGNS,123519,4807.038,N,01131.000,E,S,08,0.9,545.4,46.9,,", False, True),
        ("$GPVTG,89.0,T,,M,15.2,N,,K,A", False, False),
        ("$GPVTG,89.0,T,,M,15.2,N,,K,N", False, True),
        ("$GPVTG,360.0,348.7,000.0,000.0", False, False),
        # Wind: a vane without an anemometer is half of it.
        ("$WIMWV,045.0,R,12.0,N,V", False, True),
        ("$WIMWV,045.0,R,,N,A", False, True),
        ("$WIMWD,,T,100.0,M,12.0,N,,M", True, False),
        ("$WIMWD,90.0,T,100.0,M,,N,,M", False, True),
        ("$GPZDA,142451.50,,,,00,00", False, False),
        ("$GPZDA,142451.50,25,11,2026,00,00", True, False),
        # What steers.
        ("$GPAPB,A,A,0.10,R,N,V,V,011,M,DEST,011,M,011,M", True, False),
        ("$GPAPB,A,,0.10,R,N,V,V,011,M,DEST,011,M,011,M,A", True, False),
        ("$GPAPB,V,A,0.10,R,N,V,V,011,M,DEST,011,M,011,M", False, True),
        ("$GPAPB,A,V,0.10,R,N,V,V,011,M,DEST,011,M,011,M", False, True),
        *(
            (f"$GPAPB,A,A,0.10,R,N,V,V,011,M,DEST,011,M,011,M,{mode}", False, True)
            for mode in "EMNS"
        ),
        ("$GPAPB,,,,,,,,,,,,,,", False, True),
        ("$GPRMB,V,0.66,L,003,004,4917.24,N,12309.57,W,1.3,52.5,0.5,V", False, True),
        ("$GPRMB,A,0.66,L,003,004,4917.24,N,12309.57,W,1.3,52.5,0.5,V", True, False),
        ("$GPRMB,A,0.66,L,003,004,4917.24,N,12309.57,W,1.3,52.5,0.5,V,S", False, True),
        ("$GPXTE,V,V,,,N,N", False, True),
        ("$GPXTE,A,A,0.67,L,N,S", False, True),
        ("$GPXTE,A,A,0.67,L,N", True, False),
        ("$APHSC,,T,,M", False, True),
        # Of what the table does not have nothing is known.
        ("$GPWPL,4917.16,N,12310.64,W,003", False, False),
        ("$PXYZ1,V,V", False, False),
    ],
)  # fmt: skip
def test_what_decides(body: str, says: bool, void: bool) -> None:
    sentence = make(body, origin="x", heard=0)
    assert (says_something(sentence), is_void(sentence)) == (says, void)


@given(st.sampled_from(sorted(DATA)), st.data())
def test_what_says_nothing_is_never_valid(formatter: str, data: st.DataObject) -> None:
    """Empty fields, of whatever number, and any statuses and modes beside them."""
    checked = checked_fields(formatter)
    size = data.draw(st.integers(0, 16))
    values = [
        data.draw(st.sampled_from(["A", "V", "1", "D"])) if number in checked else ""
        for number in range(size)
    ]
    assert is_void(make(",".join([f"$II{formatter}", *values]), origin="x", heard=0))


@given(st.sampled_from(sorted(f for f in DATA if checked_fields(f))), st.data())
def test_a_void_mode_or_status_in_each_field_makes_any_sentence_void(
    formatter: str, data: st.DataObject
) -> None:
    checked = checked_fields(formatter)
    void = data.draw(st.sampled_from(sorted(set(VOID_MODES) & {"V", "N", "S"})))
    values = [
        void if number in checked else data.draw(st.sampled_from(["1.0", "123519", "N"]))
        for number in range(16)
    ]
    sentence = make(",".join([f"$II{formatter}", *values]), origin="x", heard=0)
    assert not says_something(sentence)


def test_most_of_what_steers_can_be_void() -> None:
    """The rest has no status and no mode: waypoints, routes, alarms and commands."""
    assert STEERS - set(DATA) == {"AAM", "HTC", "RTE", "TRC", "WNC", "WPL"}
