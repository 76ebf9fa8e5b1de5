# SPDX-License-Identifier: GPL-3.0-or-later
"""No octets, however they are cut and whenever they come, end what reads them."""

from __future__ import annotations

import asyncio
import math
import socket
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.feed.config import models
from provision.onboard.feed.nmea0183.sentence import Sentence, frame, make
from provision.onboard.feed.nmea2000 import pgn
from provision.onboard.feed.outputs.time_source import TimeSource
from provision.onboard.feed.policy.stalls import Stalls
from provision.onboard.feed.report.fault_log import FaultLog
from provision.onboard.feed.sources.can import EXTENDED, FRAME, CanSource
from provision.onboard.feed.sources.ingest import Ingest

SOURCE = models.SourceOptions(name="x", unchecked=True, long=True)

#: Octets of a line, sentences among them.
OCTETS = st.lists(
    st.one_of(
        st.binary(max_size=40),
        st.sampled_from(
            [frame("$GPAPB,A,A,0.10,L,N,V,V,011,M,DEST,011,M,011,M"), b"\r\n", b"$!\\"]
        ),
    ),
    max_size=8,
).map(b"".join)

#: Fields of a sentence, those of a dated fix among them.
FIELD = st.one_of(
    st.text(
        st.characters(min_codepoint=0x20, max_codepoint=0x7E, exclude_characters=",*"), max_size=8
    ),
    st.sampled_from(["A", "V", "142451.50", "235960", "25", "11", "2026", "251126", "9" * 30]),
)


@given(st.lists(st.tuples(OCTETS, st.floats(allow_nan=False)), max_size=6), st.booleans())
def test_a_stream_and_datagrams(reads: list[tuple[bytes, float]], stream: bool) -> None:
    async def run() -> None:
        heard: list[Sentence] = []
        ingest = Ingest(SOURCE, heard.extend, Stalls(), FaultLog())
        framer = ingest.framer(from_start=True)
        for data, since in reads:
            if stream:
                ingest.take(framer, data, since)
            else:
                ingest.take_datagram(framer, data, since)
        assert all(sentence.waited >= 0 for sentence in heard)
        assert not any(math.isnan(sentence.waited) for sentence in heard)
        ingest.close()

    asyncio.run(run())


IDENTIFIER = st.one_of(
    st.integers(0, 2**32 - 1),
    st.builds(
        lambda group, source: 2 << 26 | group << 8 | source | EXTENDED,
        st.sampled_from(sorted(pgn.GROUPS)),
        st.integers(0, 255),
    ),
)


@given(st.lists(st.tuples(IDENTIFIER, st.integers(0, 255), st.binary(max_size=8)), max_size=60))
def test_frames_of_a_can_network(frames: list[tuple[int, int, bytes]]) -> None:
    """Any identifier, any length that is said, any data; fast packets that do not fit."""

    async def run() -> None:
        heard: list[Sentence] = []
        source = models.CanOptions(name="x", interface="none0")
        can = CanSource(source, heard.extend, Stalls(), FaultLog())
        ours, network = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        can.use(ours)
        for identifier, length, data in frames:
            network.send(FRAME.pack(identifier, length, data))
            can._read()
        network.close()
        can.close()
        assert all(sentence.formatter in pgn.FORMATTERS for sentence in heard)

    asyncio.run(run())


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["a", "b"]),
            st.sampled_from(["RMC", "ZDA", "GGA"]),
            st.lists(FIELD, max_size=16),
            st.floats(0, 1e6),
        ),
        max_size=20,
    ),
    st.sampled_from([("a",), ("a", "b")]),
)
def test_the_clock(said: list[tuple[str, str, list[str], float]], links: tuple[str, ...]) -> None:
    async def run() -> None:
        clock = TimeSource(
            models.ClockOptions(str(Path("/nowhere")), links, 0.0),
            {"a": 4800, "b": 38400},
            FaultLog(),
        )
        for origin, formatter, fields, heard in said:
            sentence = make(",".join([f"$GP{formatter}", *fields]), origin=origin, heard=heard)
            if clock.wants(origin, "GP", formatter):
                clock.put(sentence)
        clock.as_json()
        clock.close()

    asyncio.run(run())
