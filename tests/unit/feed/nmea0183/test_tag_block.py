# SPDX-License-Identifier: GPL-3.0-or-later
from hypothesis import given
from hypothesis import strategies as st
from pyais.messages import TagBlock

from provision.onboard.feed.nmea0183 import tag_block


def test_a_block_is_read() -> None:
    # An example as manuals of AIS networks print it, from memory; recomputed by pyais.
    block = b"g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A"
    tag = tag_block.parse(block)
    assert tag is not None
    assert tag.group == (1, 2, "73874")
    assert tag.get("s") == "r003669945"
    assert tag.get("d") is None
    theirs = TagBlock(block)
    theirs.init()
    assert theirs.is_valid and theirs.source_station == tag.get("s")


def test_a_wrong_checksum_or_form_is_refused() -> None:
    assert tag_block.parse(b"s:GP0001,n:7*0B") is None
    assert tag_block.parse(b"s:GP0001,n:7") is None
    assert tag_block.parse(b"") is None
    assert tag_block.parse(b"GP0001*51") is None


def test_a_group_that_counts_past_its_end_is_none() -> None:
    assert tag_block.Tag((("g", "3-2-1"),)).group is None
    assert tag_block.Tag((("g", "0-2-1"),)).group is None
    assert tag_block.Tag((("g", "x-2-1"),)).group is None


_VALUE = st.text(max_size=15)


@given(st.lists(st.tuples(st.sampled_from("cdgnst"), _VALUE), min_size=1, max_size=4))
def test_what_is_built_is_read_back(parameters: list[tuple[str, str]]) -> None:
    block = tag_block.build(*parameters)
    assert block.startswith(b"\\") and block.endswith(b"\\")
    tag = tag_block.parse(block[1:-1])
    assert tag is not None and tag.parameters == tuple(parameters)


def test_reserved_characters_are_escaped() -> None:
    block = tag_block.build(("s", "fore, port\\~"), ("n", "7"))
    assert block.startswith(b"\\s:fore^2C port^5C^7E,n:7*")


def test_an_escape_that_is_not_utf_8_stays_as_it_is() -> None:
    body = b"s:x^FFy"
    check = 0
    for octet in body:
        check ^= octet
    tag = tag_block.parse(b"%b*%02X" % (body, check))
    assert tag is not None and tag.get("s") == "x^FFy"


def test_a_name_that_is_no_text_stops_nothing() -> None:
    assert tag_block.build(("s", "a\ud800b")).startswith(b"\\s:a?b*")
