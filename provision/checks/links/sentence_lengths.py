# SPDX-License-Identifier: GPL-3.0-or-later
"""Estimate how long sentences are."""

from __future__ import annotations

from provision.onboard.feed.nmea0183.sentence import MAX_SENTENCE_CHARS

#: One ordinary sentence each, without delimiter, checksum and line end. GGA, GLL, RMC and VTG are
#: worked examples printed in many receivers' manuals. The others are filled in by the fields of IEC
#: 61162-1, from memory.
EXAMPLES = (
    "GPAAM,A,A,0.10,N,BUOY07",
    "GPAPB,A,A,0.10,R,N,V,V,011.0,M,BUOY07,011.5,M,012.0,M",
    "GPBOD,099.3,T,105.6,M,BUOY07,BUOY06",
    "GPBWC,123519,4917.240,N,00309.570,W,051.9,T,031.6,M,001.3,N,BUOY07",
    "SDDBT,036.4,f,011.1,M,006.0,F",
    "SDDPT,11.1,0.5,100.0",
    "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
    "GPGLL,5057.970,N,00146.110,E,142451,A",
    "GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1",
    "GPGSV,2,1,08,01,40,083,46,02,17,308,41,12,07,344,39,14,22,228,45",
    "HCHDG,101.1,,,7.1,W",
    "HCHDM,238.5,M",
    "HEHDT,274.1,T",
    "YXMTW,17.5,C",
    "WIMWD,214.8,T,218.9,M,12.4,N,6.4,M",
    "WIMWV,214.8,R,12.4,N,A",
    "GPRMB,A,0.66,L,BUOY06,BUOY07,4917.240,N,00309.570,W,001.3,052.5,000.5,V",
    "GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W",
    "TIROT,-3.5,A",
    "AGRSA,-2.5,A,,V",
    "AIVDM,1,1,,B,11mg=5OP11OrPL0LqGH3NRnuP000,0",
    "AIVDO,1,1,,,11mg=5OP11OrPL0LqGH3NRnuP000,0",
    "VWVHW,245.1,T,241.2,M,06.5,N,12.0,K",
    "VWVLW,1234.5,N,12.8,N",
    "GPVTG,089.0,T,,,15.2,N,,",
    "IIVWR,075.0,R,12.4,N,6.4,M,23.0,K",
    "GPXTE,A,A,0.67,L,N",
    "GPZDA,160012.71,11,03,2024,-1,00",
)

#: The start delimiter, `*`, two digits of checksum, CR LF.
_FRAMING_CHARS = 6

_TYPICAL_CHARS = {example[2:5]: len(example) + _FRAMING_CHARS for example in EXAMPLES}


def typical_length(formatter: str) -> int:
    """Return the characters of an ordinary sentence with its line end.

    Return the maximum for an unknown formatter.
    """
    return _TYPICAL_CHARS.get(formatter, MAX_SENTENCE_CHARS)
