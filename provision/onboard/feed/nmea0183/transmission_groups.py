# SPDX-License-Identifier: GPL-3.0-or-later
"""Name the transmission groups of sentences on Ethernet, and their header (IEC 61162-450).

Multicast addresses 239.192.0.1 to 239.192.0.64 are reserved for it (IEC 61162-450, 5.4).
Header, groups, ports and which sentence belongs to which group are from memory.
"""

from __future__ import annotations

#: First bytes of a datagram of sentences.
HEADER = b"UdPbC\0"

#: Lets the kernel's routes choose the interface.
ANY = "0.0.0.0"  # noqa: S104

#: Address and UDP port of each transmission group.
GROUPS = {
    name: (f"239.192.0.{number}", 60000 + number)
    for number, name in enumerate(
        ("MISC", "TGTD", "SATD", "NAVD", "VDRD", "RCOM", "TIME", "PROP"), start=1
    )
}

_FORMATTERS = {
    # Targets: AIS and radar.
    "TGTD": ("VDM", "VDO", "TTM", "TLB", "TLL", "TTD", "OSD"),
    # Data needed at high rate: heading and rate of turn.
    "SATD": ("HDT", "HDG", "HDM", "THS", "ROT"),
    # Other navigation.
    "NAVD": (
        *("GGA", "GLL", "GNS", "RMC", "VTG", "GSA", "GSV", "GBS", "GST", "DTM", "GRS"),
        *("DPT", "DBT", "VHW", "VBW", "VLW", "MWV", "MWD", "MTW", "VDR", "VPW"),
        *("APB", "BOD", "BWC", "BWR", "RMB", "XTE", "HSC", "HTC", "HTD", "RTE", "WPL", "AAM"),
        *("RSA", "RPM", "XDR"),
    ),
    # Radio communication.
    "RCOM": ("DSC", "DSE", "NRX", "NRM", "MSK", "MSS"),
    "TIME": ("ZDA", "ZDL", "ZTG", "ZFO"),
}

_GROUP_OF = {
    formatter: group for group, formatters in _FORMATTERS.items() for formatter in formatters
}


def group_of(talker: str, formatter: str) -> str:
    """Return the transmission group of a sentence.

    >>> group_of("GP", "RMC"), group_of("AI", "VDM"), group_of("P", "PXYZ1"), group_of("XX", "ABC")
    ('NAVD', 'TGTD', 'PROP', 'MISC')
    """
    return "PROP" if talker == "P" else _GROUP_OF.get(formatter, "MISC")
