# SPDX-License-Identifier: GPL-3.0-or-later
"""The example sentences are sentences, and as long as they are said to be."""

from __future__ import annotations

from functools import reduce
from operator import xor

import pynmea2
import pytest
from pyais import decode

from provision.checks.links.sentence_lengths import EXAMPLES, typical_length
from provision.onboard.feed.nmea0183.sentence import MAX_SENTENCE_CHARS

#: Worked examples printed in many receivers' manuals; recomputed.
PRINTED = [
    "$GPGLL,5057.970,N,00146.110,E,142451,A*27",
    "$GPVTG,089.0,T,,,15.2,N,,*7F",
    "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
]


def sentence(body: str) -> str:
    start = "!" if body.startswith("AI") else "$"
    return f"{start}{body}*{reduce(xor, body.encode()):02X}"


@pytest.mark.parametrize("printed", PRINTED)
def test_lengths_of_printed_examples(printed: str) -> None:
    assert printed in [sentence(example) for example in EXAMPLES]
    assert typical_length(printed[3:6]) == len(printed + "\r\n")


@pytest.mark.parametrize("example", EXAMPLES)
def test_each_example_parses_with_all_its_fields(example: str) -> None:
    text = sentence(example)
    assert len(text + "\r\n") <= MAX_SENTENCE_CHARS
    if example.startswith("AI"):
        assert decode(text).mmsi == 123456789
        return
    parsed = pynmea2.parse(text, check=True)
    assert parsed.sentence_type == example[2:5]
    assert len(parsed.data) <= len(parsed.fields)


def test_an_unknown_sentence_counts_as_the_longest() -> None:
    """IEC 61162-1: at most 82 characters from the start delimiter to CR LF."""
    assert typical_length("XXX") == MAX_SENTENCE_CHARS == 82
