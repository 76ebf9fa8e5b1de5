# SPDX-License-Identifier: GPL-3.0-or-later
"""A receiver's fix is read from its last sentences, and compared with the one before a change."""

from __future__ import annotations

from typing import Any

import pynmea2
import pytest

from provision.verify.fix import has_fix, note_on_fix

#: Two samples of pynmea2 1.19's own tests, with a fix. The two without a fix are ours.
RMC = "$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68"
RMC_VOID = "$GPRMC,225446,V,,,,,,,191194,,E*72"
GGA = "$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D"
GGA_VOID = "$GPGGA,184353.07,,,,,0,00,99.99,,,,,,*69"


def source(**last: tuple[float, str]) -> dict[str, Any]:
    return {"last": last}


@pytest.mark.parametrize(
    ("last", "fix"),
    [
        ({"RMC": (0.5, RMC)}, True),
        ({"RMC": (0.5, RMC_VOID)}, False),
        ({"GGA": (0.5, GGA)}, True),
        ({"GGA": (0.5, GGA_VOID)}, False),
        ({"RMC": (0.5, RMC_VOID), "GGA": (0.5, GGA)}, True),
        ({"RMC": (60.0, RMC)}, None),
        ({"MWV": (0.5, "$IIMWV,045.0,R,12.5,N,A*16")}, None),
        ({}, None),
    ],
)
def test_a_fix_is_read_from_the_last_sentences(
    last: dict[str, tuple[float, str]], fix: bool | None
) -> None:
    assert has_fix(source(**last)) is fix


def test_the_examples_are_what_a_reference_library_reads() -> None:
    assert pynmea2.parse(RMC).status == "A"
    assert pynmea2.parse(RMC_VOID).status == "V"
    assert pynmea2.parse(GGA).gps_qual == 1
    assert pynmea2.parse(GGA_VOID).gps_qual == 0


def test_a_feed_of_an_earlier_version_does_not_report_it() -> None:
    assert has_fix({"present": True}) is None


@pytest.mark.parametrize(
    ("before", "now", "note"),
    [
        (True, True, ""),
        (None, True, ""),
        (True, None, ""),
        (None, None, ""),
        (False, True, "had none before"),
        (True, False, "look at its antenna"),
        (False, False, "as before"),
        (None, False, "it has no fix"),
    ],
)
def test_what_differs_is_a_note(before: bool | None, now: bool | None, note: str) -> None:
    said = note_on_fix(before, now)
    assert note in said
    assert bool(said) == bool(note)
