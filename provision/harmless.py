# SPDX-License-Identifier: GPL-3.0-or-later
"""Text from boats, images and other programs, made harmless for a terminal."""

from __future__ import annotations

import unicodedata

#: Characters that a text has at most on the screen.
MAX_SHOWN_CHARS = 8192
#: Categories (Unicode Standard, general category) that steer a terminal or hide text: control,
#: format (which turns the reading direction), surrogate, line and paragraph separators.
_STEERING = {"Cc", "Cf", "Cs", "Zl", "Zp"}


def harmless(text: str, most: int = MAX_SHOWN_CHARS) -> str:
    """The text with `\\N{REPLACEMENT CHARACTER}` for each character that steers a terminal.

    Line feeds and tabs stay. What is longer than `most` characters is cut, and ends in '...'.
    """
    cut = text[:most]
    shown = "".join(
        one if one in "\n\t" or unicodedata.category(one) not in _STEERING else "\ufffd"
        for one in cut
    )
    return shown if len(text) <= most else f"{shown}..."
