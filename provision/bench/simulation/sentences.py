# SPDX-License-Identifier: GPL-3.0-or-later
"""Compose sentences of IEC 61162-1 from the state of the simulated boat.

Each formatter has the talker that usually sends it (talker identifiers: IEC 61162-1, from
memory). Angles are degrees, speeds knots, depths metres unless the field says otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import reduce
from operator import xor

from provision.bench.simulation.boat import BoatState, bearing
from provision.onboard.feed.nmea0183.sentence import MAX_SENTENCE_CHARS

#: Depth of the transducer in metres below the surface, which DPT sends as its offset.
TRANSDUCER_DEPTH_M = 0.6

#: The satellites in view and used. Made up.
SATELLITES = {3: (62, 80), 6: (41, 215), 9: (23, 300), 12: (18, 130), 17: (75, 10), 19: (33, 45),
              22: (12, 250), 25: (55, 170)}  # fmt: skip

Fields = list[str]
_METRES_PER_FOOT = 0.3048
_METRES_PER_FATHOM = 1.8288
_KMH_PER_KNOT = 1.852
_MS_PER_KNOT = 1852 / 3600


def checksum(body: str) -> str:
    """Return the XOR of the characters between start delimiter and '*' as two hex digits.

    >>> checksum("GPGLL,5057.970,N,00146.110,E,142451,A")
    '27'
    """
    return f"{reduce(xor, body.encode('ascii'), 0):02X}"


def sentence(address: str, fields: Iterable[str], *, start: str = "$") -> bytes:
    """Return a sentence with delimiter, checksum and CR LF. Raise ValueError if too long."""
    body = ",".join([address, *fields])
    line = f"{start}{body}*{checksum(body)}\r\n".encode("ascii")
    if len(line) > MAX_SENTENCE_CHARS:
        raise ValueError(f"{len(line)} characters are too many for a sentence: {line!r}")
    return line


def compose(formatter: str, state: BoatState, *, talker: str | None = None) -> list[bytes]:
    """Return the sentences that one instrument sends for a formatter at that moment.

    Most formatters give one sentence. GSV takes several. `talker` replaces the usual two letters.

    A formatter that the simulation has no data for gets a null field, which means just that (IEC
    61162-1). So does a proprietary formatter, whose address has no talker.
    """
    if formatter.startswith("P"):
        return [sentence(formatter, [""])]
    usual, fields = FORMATTERS.get(formatter, ("II", _not_available))
    return [sentence((talker or usual) + formatter, one) for one in fields(state)]


# Fields


def latitude(degrees: float) -> Fields:
    """Return degrees and decimal minutes, and the hemisphere.

    >>> latitude(-0.9999999)
    ['0100.0000', 'S']
    """
    return _degrees_minutes(degrees, 2, "NS")


def longitude(degrees: float) -> Fields:
    """Return degrees and decimal minutes, and the hemisphere."""
    return _degrees_minutes(degrees, 3, "EW")


def _degrees_minutes(degrees: float, digits: int, hemispheres: str) -> Fields:
    whole, rest = divmod(round(abs(degrees) * 600_000), 600_000)
    return [f"{whole:0{digits}}{rest // 10_000:02}.{rest % 10_000:04}", hemispheres[degrees < 0]]


def angle(degrees: float) -> str:
    """Return an angle of 0.0 to 359.9 with one decimal.

    >>> angle(359.97)
    '000.0'
    """
    return f"{round(degrees, 1) % 360:05.1f}"


def _variation(state: BoatState) -> Fields:
    return [f"{abs(state.variation):05.1f}", "EW"[state.variation < 0]]


def _magnetic(state: BoatState, degrees: float) -> str:
    return angle(degrees - state.variation)


def _clock(state: BoatState) -> str:
    return state.time.strftime("%H%M%S.") + f"{state.time.microsecond // 10_000:02}"


def _position(state: BoatState) -> Fields:
    return [*latitude(state.fix.latitude), *longitude(state.fix.longitude)]


# Sentences


def _not_available(_: BoatState) -> list[Fields]:
    return [[""]]


def _rmc(state: BoatState) -> list[Fields]:
    speed, course = f"{state.ground_speed:.1f}", angle(state.course)
    date = state.time.strftime("%d%m%y")
    mode = ["A", "V"]  # autonomous, navigational status not given (from memory)
    motion = [speed, course, date, *_variation(state)]
    return [[_clock(state), "A", *_position(state), *motion, *mode]]


def _gga(state: BoatState) -> list[Fields]:
    quality = ["1", f"{len(SATELLITES):02}", "0.9"]
    return [[_clock(state), *_position(state), *quality, "2.0", "M", "47.0", "M", "", ""]]


def _gns(state: BoatState) -> list[Fields]:
    quality = ["A", f"{len(SATELLITES):02}", "0.9", "2.0", "47.0", "", "", "V"]
    return [[_clock(state), *_position(state), *quality]]


def _gll(state: BoatState) -> list[Fields]:
    return [[*_position(state), _clock(state), "A", "A"]]


def _vtg(state: BoatState) -> list[Fields]:
    course, speed = state.course, state.ground_speed
    kmh = speed * _KMH_PER_KNOT
    courses = [angle(course), "T", _magnetic(state, course), "M"]
    return [[*courses, f"{speed:.1f}", "N", f"{kmh:.1f}", "K", "A"]]


def _zda(state: BoatState) -> list[Fields]:
    return [[_clock(state), *state.time.strftime("%d %m %Y").split(), "00", "00"]]


def _gsa(state: BoatState) -> list[Fields]:
    used = [f"{number:02}" for number in SATELLITES]
    return [["A", "3", *used, *[""] * (12 - len(used)), "1.6", "0.9", "1.3"]]


def _gsv(state: BoatState) -> list[Fields]:
    groups = [list(SATELLITES.items())[at : at + 4] for at in range(0, len(SATELLITES), 4)]
    return [
        [str(len(groups)), str(number), f"{len(SATELLITES):02}"]
        + [
            field
            for satellite, (elevation, azimuth) in group
            for field in (f"{satellite:02}", f"{elevation:02}", f"{azimuth:03}", "42")
        ]
        for number, group in enumerate(groups, start=1)
    ]


def _dpt(state: BoatState) -> list[Fields]:
    return [[f"{state.depth - TRANSDUCER_DEPTH_M:.1f}", f"{TRANSDUCER_DEPTH_M:.1f}", "100.0"]]


def _three_units(metres: float) -> list[Fields]:
    feet, fathoms = metres / _METRES_PER_FOOT, metres / _METRES_PER_FATHOM
    return [[f"{feet:.1f}", "f", f"{metres:.1f}", "M", f"{fathoms:.1f}", "F"]]


def _dbt(state: BoatState) -> list[Fields]:
    return _three_units(state.depth - TRANSDUCER_DEPTH_M)


def _dbs(state: BoatState) -> list[Fields]:
    return _three_units(state.depth)


def _mtw(state: BoatState) -> list[Fields]:
    return [[f"{state.water_temperature:.1f}", "C"]]


def _vhw(state: BoatState) -> list[Fields]:
    speed = state.water_speed
    kmh = speed * _KMH_PER_KNOT
    headings = [angle(state.heading), "T", angle(state.magnetic_heading), "M"]
    return [[*headings, f"{speed:.1f}", "N", f"{kmh:.1f}", "K"]]


def _mwv(state: BoatState) -> list[Fields]:
    wind = state.apparent_wind
    return [[angle(wind.angle), "R", f"{wind.speed:.1f}", "N", "A"]]


def _mwd(state: BoatState) -> list[Fields]:
    direction, speed = state.true_wind_direction, state.true_wind_speed
    directions = [angle(direction), "T", _magnetic(state, direction), "M"]
    return [[*directions, f"{speed:.1f}", "N", f"{speed * _MS_PER_KNOT:.1f}", "M"]]


def _beside_bow(degrees: float, knots: float) -> list[Fields]:
    """Return an angle to port or starboard of the bow, and a speed in three units."""
    side = ["L", f"{360 - degrees:05.1f}"] if degrees > 180 else ["R", f"{degrees:05.1f}"]
    speeds = [f"{knots:.1f}", "N", f"{knots * _MS_PER_KNOT:.1f}", "M"]
    return [[side[1], side[0], *speeds, f"{knots * _KMH_PER_KNOT:.1f}", "K"]]


def _vwr(state: BoatState) -> list[Fields]:
    return _beside_bow(state.apparent_wind.angle, state.apparent_wind.speed)


def _vwt(state: BoatState) -> list[Fields]:
    return _beside_bow(state.true_wind.angle, state.true_wind.speed)


def _vdr(state: BoatState) -> list[Fields]:
    direction = bearing(state.current)
    speed = f"{abs(state.current):.1f}"
    return [[angle(direction), "T", _magnetic(state, direction), "M", speed, "N"]]


def _hdg(state: BoatState) -> list[Fields]:
    return [[angle(state.magnetic_heading), "000.0", "E", *_variation(state)]]


def _hdt(state: BoatState) -> list[Fields]:
    return [[angle(state.heading), "T"]]


def _hdm(state: BoatState) -> list[Fields]:
    return [[angle(state.magnetic_heading), "M"]]


def _rot(state: BoatState) -> list[Fields]:
    return [[f"{state.rate_of_turn * 60:.1f}", "A"]]


#: For each formatter, the usual talker and the function that makes its fields.
FORMATTERS: dict[str, tuple[str, Callable[[BoatState], list[Fields]]]] = {
    "DBS": ("SD", _dbs),
    "DBT": ("SD", _dbt),
    "DPT": ("SD", _dpt),
    "GGA": ("GP", _gga),
    "GLL": ("GP", _gll),
    "GNS": ("GP", _gns),
    "GSA": ("GP", _gsa),
    "GSV": ("GP", _gsv),
    "HDG": ("HC", _hdg),
    "HDM": ("HC", _hdm),
    "HDT": ("HE", _hdt),
    "MTW": ("YX", _mtw),
    "MWD": ("WI", _mwd),
    "MWV": ("WI", _mwv),
    "RMC": ("GP", _rmc),
    "ROT": ("TI", _rot),
    "VDR": ("VW", _vdr),
    "VHW": ("VW", _vhw),
    "VTG": ("GP", _vtg),
    "VWR": ("WI", _vwr),
    "VWT": ("WI", _vwt),
    "ZDA": ("GP", _zda),
}
