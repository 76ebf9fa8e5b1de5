# SPDX-License-Identifier: GPL-3.0-or-later
"""Say which names of a stick are taken."""

from __future__ import annotations

import unicodedata

#: UTF-8 bytes of a name. File systems take 255, and other computers fewer with what they add.
MAX_NAME_BYTES = 120

#: Categories of Unicode that no name of a chart has: control (with line feeds), format, surrogate
#: (bytes that are no UTF-8), private use, unassigned, and what breaks a line.
_REFUSED = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")


def is_hidden(name: str) -> bool:
    """Tell if people do not see a file of this name: their computers write such files."""
    return name.startswith(".") or name.casefold() == "system volume information"


def fault_of(name: str) -> str:
    r"""Return why a name is not taken, or "" for a good one.

    >>> fault_of("NO5-2026.mbtiles"), fault_of("a\nb"), fault_of("x" * 121)
    ('', 'strange name', 'long name')
    """
    if any(unicodedata.category(character) in _REFUSED for character in name):
        return "strange name"
    if name in ("", ".", "..") or "/" in name or "\\" in name or name != name.strip():
        return "strange name"
    return "long name" if len(name.encode()) > MAX_NAME_BYTES else ""
