# SPDX-License-Identifier: GPL-3.0-or-later
"""Name the kinds of data, and the sentences that carry each."""

from __future__ import annotations

#: The sentences of each kind of data (IEC 61162-1). What describes a fix goes with it.
KINDS = {
    "position": (
        *("GGA", "GLL", "GNS", "RMC", "VTG"),
        *("GSA", "GSV", "GBS", "GST", "GRS", "DTM"),
    ),
    "heading": ("HDG", "HDT", "HDM", "THS", "ROT"),
    "depth": ("DPT", "DBT", "DBS", "DBK"),
    "wind": ("MWV", "MWD", "VWR", "VWT"),
    "speed": ("VHW", "VBW", "VLW"),
    "temperature": ("MTW",),
    "time": ("ZDA",),
}

KIND_OF = {formatter: kind for kind, formatters in KINDS.items() for formatter in formatters}
