# SPDX-License-Identifier: GPL-3.0-or-later

import pyais
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.feed.nmea0183.multipart import MAX_OPEN_MESSAGES, PART_TIMEOUT_S, PartJoiner
from provision.onboard.feed.nmea0183.sentence import Sentence, make
from tests.support.feed.rig import STATIC


def part(total: int, number: int, message: str = "3", at: float = 0.0) -> Sentence:
    return make(f"!AIVDM,{total},{number},{message},B,payload{number},0", origin="ais", heard=at)


def by(sender: str, number: int) -> Sentence:
    """Return one half of the message that a sender on the network calls 3."""
    return part(2, number)._replace(sender=sender)


def raws(sentences: list[Sentence]) -> list[bytes]:
    return [sentence.raw for sentence in sentences]


def test_parts_go_on_as_one_that_pyais_reads() -> None:
    assert len(STATIC) == 2
    joining = PartJoiner()
    first, second = (make(line[:-5].decode(), origin="ais", heard=0.0) for line in STATIC)
    assert joining.take(first) == []
    (whole,) = joining.take(second)
    assert whole.raw == b"".join(STATIC)
    assert pyais.decode(*whole.raw.splitlines()).asdict()["shipname"] == "TERN"
    assert not joining


def test_single_ones_and_other_sentences_pass_at_once() -> None:
    joining = PartJoiner()
    for sentence in (
        part(1, 1),
        make("$GPGLL,1", origin="x", heard=0),
        make("!AIVDM,2", origin="x", heard=0),
        make("!AIVDM,2,3,1,A,x,0", origin="x", heard=0),
        make("!AIVDM,,,,,x,0", origin="x", heard=0),
    ):
        assert joining.take(sentence) == [sentence]


def test_two_messages_at_once_are_told_apart_by_their_ids() -> None:
    joining = PartJoiner()
    assert joining.take(part(2, 1, "1")) == joining.take(part(2, 1, "2")) == []
    (second,) = joining.take(part(2, 2, "2"))
    (first,) = joining.take(part(2, 2, "1"))
    assert second.raw == part(2, 1, "2").raw + part(2, 2, "2").raw
    assert first.raw == part(2, 1, "1").raw + part(2, 2, "1").raw


def test_two_senders_at_once_are_told_apart() -> None:
    joining = PartJoiner()
    assert joining.take(by("10.47.1.60", 1)) == joining.take(by("10.47.1.61", 1)) == []
    for sender in ("10.47.1.60", "10.47.1.61"):
        (whole,) = joining.take(by(sender, 2))
        assert (whole.sender, whole.raw) == (sender, part(2, 1).raw + part(2, 2).raw)


def test_a_lost_part_delays_nobody_for_ever() -> None:
    joining = PartJoiner()
    # The first was lost.
    assert raws(joining.take(part(2, 2))) == [part(2, 2).raw]
    # The second was lost, and the id comes again.
    joining.take(part(2, 1, at=1.0))
    assert raws(joining.take(part(2, 1, at=2.0))) == [part(2, 1).raw]
    assert joining.overdue(2.0 + PART_TIMEOUT_S / 2) == []
    assert raws(joining.overdue(2.0 + PART_TIMEOUT_S)) == [part(2, 1).raw]
    assert not joining


def test_noise_eats_no_memory() -> None:
    joining = PartJoiner()
    passed = [s for n in range(1000) for s in joining.take(part(2, 1, str(n)))]
    assert len(passed) >= 1000 - MAX_OPEN_MESSAGES - 1


@given(
    st.lists(st.tuples(st.integers(1, 4), st.integers(1, 4), st.sampled_from("12")), max_size=40)
)
def test_every_part_goes_on_once(story: list[tuple[int, int, str]]) -> None:
    joining = PartJoiner()
    said = [part(total, number, message) for total, number, message in story]
    passed = [s for sentence in said for s in joining.take(sentence)] + joining.overdue(1e9)
    lines = [line for s in passed for line in s.raw.splitlines(keepends=True)]
    assert sorted(lines) == sorted(raws(said))
