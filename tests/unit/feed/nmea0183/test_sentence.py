# SPDX-License-Identifier: GPL-3.0-or-later
import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.feed.nmea0183.checksum import checksum
from provision.onboard.feed.nmea0183.sentence import frame, make, split_address


@pytest.mark.parametrize(
    "sentence",
    [
        # Worked examples printed in many receivers' manuals; recomputed.
        "$GPGLL,5057.970,N,00146.110,E,142451,A*27",
        "$GPVTG,089.0,T,,,15.2,N,,*7F",
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    ],
)
def test_checksum_is_that_of_the_worked_examples(sentence: str) -> None:
    body, _, printed = sentence[1:].partition("*")
    assert f"{checksum(body.encode()):02X}" == printed
    assert frame("$" + body) == sentence.encode() + b"\r\n"


@given(st.binary(max_size=2000))
def test_checksum_is_the_xor_of_all_bytes(body: bytes) -> None:
    value = 0
    for byte in body:
        value ^= byte
    assert checksum(body) == value


@given(st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789,.-", max_size=70))
def test_checksum_agrees_with_pynmea2(body: str) -> None:
    assert checksum(body.encode()) == pynmea2.NMEASentence.checksum(body)


def test_addresses() -> None:
    assert split_address(b"AIVDM") == ("AI", "VDM")
    assert split_address(b"PXYZ1") == ("P", "PXYZ1")


def test_made_sentences_carry_their_fields() -> None:
    sentence = make("$IIVHW,,T,123.4,M,5.1,N,9.4,K", origin="backbone", heard=1.0)
    assert (sentence.talker, sentence.formatter) == ("II", "VHW")
    assert sentence.fields == ["", "T", "123.4", "M", "5.1", "N", "9.4", "K"]
    parsed = pynmea2.parse(sentence.raw.decode(), check=True)
    assert float(parsed.water_speed_knots) == 5.1
