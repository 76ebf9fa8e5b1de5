# SPDX-License-Identifier: GPL-3.0-or-later
import random
import re
from itertools import pairwise

import pyais
import pynmea2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from provision.onboard.feed.nmea0183 import tag_block
from provision.onboard.feed.nmea0183.framer import Framer
from provision.onboard.feed.nmea0183.sentence import frame
from tests.support.feed.rig import GGA, GLL, VTG

VDM = b"!AIVDM,1,1,,B,177KQJ5000G?tO`K>RA1wUbN0TKH,0*5C\r\n"


def whole(data: bytes, **keys: bool) -> list[bytes]:
    return [s.raw for s in Framer("x", from_start=True, **keys).feed(data, 0.0)]


def counted(data: bytes, **keys: bool) -> dict[str, int]:
    framer = Framer("x", from_start=True, **keys)
    framer.feed(data, 0.0)
    return {kind: count for kind, count in framer.errors.as_json().items() if count}


def oracle(data: bytes) -> list[bytes]:
    """Return the valid sentences by definition: line by line, from the last delimiter, by XOR."""
    found = []
    for line in re.split(rb"[\r\n]", data)[:-1]:
        match = re.fullmatch(
            rb".*([$!])((?:[A-Z0-9]{3,})(?:,[ -#%-~]*)?)\*([0-9A-Fa-f]{2})", line, re.DOTALL
        )
        if match is None or b"!" in match[2]:
            continue
        value = 0
        for byte in match[2]:
            value ^= byte
        if value == int(match[3], 16) and len(match[1] + match[2] + match[3]) + 3 <= 82:
            found.append(match[1] + match[2] + b"*" + match[3].upper() + b"\r\n")
    return found


def pieces(data: bytes, cuts: list[int]) -> list[bytes]:
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    return [data[a:b] for a, b in pairwise(edges)]


_BODY = st.text("ABCDEFG0123456789,.-^", max_size=70).map(lambda t: "$GPXXX," + t)
_PART = st.one_of(
    st.sampled_from([GLL, VTG, GGA, VDM, b"\r", b"\n", b"$", b"!", b"*", b"\\", b"\0" * 40]),
    _BODY.map(frame),
    _BODY.map(lambda t: frame(t)[:-3]),
    st.just(b"\\s:GP0001,n:7*10\\" + GLL),
    st.binary(max_size=60),
    st.binary(min_size=1100, max_size=1300),
)


@settings(max_examples=150, deadline=None)
@given(st.lists(_PART, max_size=12).map(b"".join), st.lists(st.integers(0, 5000), max_size=12))
def test_no_sentence_is_lost_or_invented(data: bytes, cuts: list[int]) -> None:
    framer = Framer("x", from_start=True)
    found = [s.raw for piece in pieces(data, cuts) for s in framer.feed(piece, 0.0)]
    assert found == oracle(data)


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=4000))
def test_bytes_of_any_kind_byte_by_byte(data: bytes) -> None:
    framer = Framer("x", from_start=True)
    found = [s.raw for byte in data for s in framer.feed(bytes([byte]), 0.0)]
    assert found == oracle(data)


def test_what_passes_is_what_pynmea2_and_pyais_accept() -> None:
    for raw in whole(GLL + VTG + GGA):
        pynmea2.parse(raw.decode(), check=True)
    (raw,) = whole(VDM)
    assert pyais.decode(raw).asdict()["mmsi"] == 477553000


def test_origin_time_and_what_was_read_behind_it() -> None:
    first, second = Framer("gnss", from_start=True).feed(GLL + VTG + b"$GP", 12.5)
    assert (first.origin, first.heard, first.talker, first.formatter) == ("gnss", 12.5, "GP", "GLL")
    # The LF of its own end counts as read behind it.
    assert (first.trail, second.trail) == (1 + len(VTG) + 3, 1 + 3)


def test_first_half_line_is_no_fault() -> None:
    framer = Framer("x")
    assert [s.raw for s in framer.feed(b"46.110,E,142451,A*27\r\n" + GLL, 0)] == [GLL]
    assert framer.errors.total() == 0


def test_a_half_line_after_the_first_is_a_fault() -> None:
    framer = Framer("x")
    framer.feed(GLL + GLL[10:], 0)
    assert framer.errors.as_json() == {
        "checksum": 0, "noise": 1, "length": 0, "baud": 0, "tag": 0
    }  # fmt: skip


@pytest.mark.parametrize(
    ("data", "kinds"),
    [
        (GLL.replace(b"*27", b"*28"), {"checksum": 1}),
        (b"$GPGLL,5057.970,N\r\n", {"checksum": 1}),
        (b"hello\r\n", {"noise": 1}),
        (b"$GPGLL,50" + GLL, {"noise": 1}),
        (frame("$GPTXT," + "x" * 80), {"length": 1}),
        (b"$" + b"x" * 5000 + b"\r\n", {"length": 1}),
        (b"\\s:GP0001,n:7*00\\" + GLL, {"tag": 1}),
        (b"\\s:GP0001,n:7*10\\" + GLL, {}),
    ],
)
def test_faults_are_counted_apart(data: bytes, kinds: dict[str, int]) -> None:
    assert counted(data) == kinds


def test_a_sentence_of_82_characters_passes_and_one_of_83_only_where_allowed() -> None:
    # IEC 61162-1: at most 82 characters from the start delimiter to CR LF.
    longest = frame("$GPTXT," + "x" * 70)
    longer = frame("$GPTXT," + "x" * 71)
    assert (len(longest), len(longer)) == (82, 83)
    assert whole(longest + longer) == [longest]
    assert whole(longest + longer, long=True) == [longest, longer]


def test_without_a_checksum_only_where_allowed_and_then_one_is_added() -> None:
    bare = GLL[:-5] + b"\r\n"
    assert whole(bare) == []
    assert whole(bare + GLL, unchecked=True) == [GLL, GLL]
    # What steers is never taken on trust.
    assert whole(b"$GPXTE,A,A,0.67,L,N\r\n$PXYZ,1\r\n", unchecked=True) == []
    # A checksum that is there must be right all the same.
    assert whole(GLL.replace(b"*27", b"*28"), unchecked=True) == []


def test_line_ends_and_small_hex_digits() -> None:
    lower = b"$GPVTG,089.0,T,,,15.2,N,,*7f"
    assert whole(lower + b"\n" + lower + b"\r" + lower + b"\r\n") == [VTG] * 3


def test_proprietary_and_encapsulated() -> None:
    own = frame("$PXYZ1,1,2")
    (first, second) = Framer("x", from_start=True).feed(own + VDM, 0)
    assert (first.talker, first.formatter) == ("P", "PXYZ1")
    assert (second.talker, second.formatter, second.raw[:1]) == ("AI", "VDM", b"!")


def test_tag_block_is_read_and_not_part_of_the_sentence() -> None:
    block = tag_block.build(("s", "GP0001"), ("g", "1-2-34"))
    (sentence,) = Framer("x", from_start=True).feed(block + GLL, 0)
    assert sentence.raw == GLL
    assert sentence.tag is not None and sentence.tag.group == (1, 2, "34")


def test_a_wrong_baud_rate_is_told_from_noise() -> None:
    # What 38400 baud reads of 4800: mostly zeros and high bits; and the reverse.
    rattle = random.Random(1)
    assert counted(bytes(rattle.choice(b"\x00\x80\xf8\xfe\x78\xe0") for _ in range(3000)))["baud"]
    assert counted(bytes(rattle.randrange(256) for _ in range(3000)))["baud"]
    assert "baud" not in counted(b"some text that is no sentence\r\n" * 100)
    assert "baud" not in counted((GLL + b"\xff\xfe") * 100)


def test_a_stuck_break_ends_without_harm() -> None:
    framer = Framer("x", from_start=True)
    for _ in range(1000):
        assert framer.feed(b"\0" * 100, 0) == []
    assert framer.errors.baud > 0
    assert [s.raw for s in framer.feed(b"\r\n" + GLL, 0)] == [GLL]


def test_memory_is_bounded_without_line_ends() -> None:
    framer = Framer("x", long=True)
    for _ in range(100):
        framer.feed(b"$GPGLL," * 1000, 0)
        assert len(framer._tail) <= 1024


def test_reset_forgets_the_half_line() -> None:
    framer = Framer("x", from_start=True)
    framer.feed(GLL[:20], 0)
    framer.reset()
    assert framer.feed(GLL[20:], 0) == []
    assert framer.errors.total() == 0
