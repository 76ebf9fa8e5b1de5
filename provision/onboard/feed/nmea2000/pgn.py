# SPDX-License-Identifier: GPL-3.0-or-later
"""Turn parameter groups of NMEA 2000 into sentences.

A further group is a function beside the others of its subject, and a line in that file's `GROUPS`.
"""

from __future__ import annotations

from provision.onboard.feed.nmea0183.sentence import ENCAPSULATED
from provision.onboard.feed.nmea2000 import ais, environment, motion, position

#: Talkers of sentences that a gateway makes from other data: integrated instrumentation, and
#: an AIS station on a ship (IEC 61162-1).
TALKER, AIS_TALKER = "II", "AI"

GROUPS = {
    group.number: group
    for subject in (motion, position, environment, ais)
    for group in subject.GROUPS
}

#: The sentences that can be made of each kind of data.
MADE_OF: dict[str, tuple[str, ...]] = {}
for _group in GROUPS.values():
    for _formatter, _kind in _group.makes.items():
        MADE_OF[_kind] = tuple(dict.fromkeys((*MADE_OF.get(_kind, ()), _formatter)))

#: All sentences that can be made.
FORMATTERS = tuple(sorted({formatter for made in MADE_OF.values() for formatter in made}))


def sentences(number: int, data: bytes, mode: str = "A") -> list[str]:
    """Make a group's sentences, without their checksums, of a device whose fixes have this mode."""
    group = GROUPS[number]
    bodies = group.decode(data, mode) if group.takes_mode else group.decode(data)
    return [addressed(body) for body in bodies]


def addressed(body: str) -> str:
    """Put the start delimiter and the talker before a sentence.

    >>> addressed("DPT,5.23,0.50,"), addressed("VDM,1,1,,A,15M,0")
    ('$IIDPT,5.23,0.50,', '!AIVDM,1,1,,A,15M,0')
    """
    encapsulated = body[:3] in ENCAPSULATED
    return f"!{AIS_TALKER}{body}" if encapsulated else f"${TALKER}{body}"
