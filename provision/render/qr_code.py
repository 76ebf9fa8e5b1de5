# SPDX-License-Identifier: GPL-3.0-or-later
"""Draw QR codes, and write the text of a code by which phones join a Wi-Fi."""

from __future__ import annotations

import io
import re

import segno


def write_wifi_code(ssid: str, pass_phrase: str) -> str:
    """Write the text of a code by which phones join a Wi-Fi (common practice, from memory).

    >>> write_wifi_code("Tern", "fish;soup")
    'WIFI:T:WPA;S:Tern;P:fish\\\\;soup;;'
    """
    return f"WIFI:T:WPA;S:{_escape(ssid)};P:{_escape(pass_phrase)};;"


def _escape(text: str) -> str:
    escaped = re.sub(r'([\\;,:"])', r"\\\1", text)
    # Some readers take hexadecimal digits for octets, unless they are in quotes (from memory).
    return f'"{text}"' if re.fullmatch(r"(?:[0-9A-Fa-f]{2})+", text) else escaped


def draw_code(text: str) -> str:
    """Draw a QR code (ISO/IEC 18004) as SVG, with the margin of four modules that readers need."""
    drawn = io.BytesIO()
    # A reader guesses the encoding of a text that does not name it, and takes UTF-8 for another
    # (tried with zbar). Every reader takes ASCII.
    named = not text.isascii()
    encoding = "utf-8" if named else None
    code = segno.make(text, error="m", micro=False, encoding=encoding, eci=named)
    code.save(
        drawn, kind="svg", border=4, light="#fff", xmldecl=False, nl=False, omitsize=True,
        svgclass=None, lineclass=None,
    )  # fmt: skip
    return drawn.getvalue().decode()
