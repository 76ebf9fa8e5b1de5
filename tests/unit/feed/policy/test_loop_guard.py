# SPDX-License-Identifier: GPL-3.0-or-later
from ipaddress import IPv4Address, IPv4Network

from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.feed.net.subnet import Subnet
from provision.onboard.feed.nmea0183.sentence import Sentence, make
from provision.onboard.feed.policy.loop_guard import ECHO_WINDOW_S, LoopGuard
from provision.onboard.feed.policy.recent import MAX_SENTENCE_AGE_S, MAX_SENTENCES
from provision.onboard.feed.report.fault_log import FaultLog


def says(origin: str, number: int, at: float, formatter: str = "DPT") -> Sentence:
    return make(f"$SD{formatter},{number},0.5", origin=origin, heard=at)


def loop_guard(*two_way: str) -> LoopGuard:
    every = {"gnss", "display", "sounder", "second-sounder", "repeater", "ais", "second-ais"}
    sent = {name: frozenset({"DPT"} if name in two_way else {}) for name in every}
    return LoopGuard(sent, FaultLog())


def test_what_comes_back_from_where_we_sent_it_is_dropped() -> None:
    breaking = loop_guard("display")
    assert not breaking.returns(says("gnss", 1, 0.0))
    assert breaking.returns(says("display", 1, 0.5))
    assert not breaking.returns(says("display", 2, 0.6))
    # The same again much later is news.
    assert not breaking.returns(says("display", 1, 0.6 + ECHO_WINDOW_S))


def test_what_is_not_sent_there_cannot_come_back() -> None:
    breaking = loop_guard("autopilot", "display")
    # Two compasses that agree, one of them an autopilot's, which listens to depths only.
    for second in range(10):
        assert not breaking.returns(says("gnss", second, second + 0.0, "HDG"))
        assert not breaking.returns(says("display", second, second + 0.1, "HDG"))
    # An input on the network may bring back anything.
    breaking.returns(says("gnss", 1, 100.0, "HDG"))
    assert breaking.returns(says("net", 1, 100.1, "HDG"))


def test_a_source_may_repeat_itself_and_two_may_agree() -> None:
    breaking = loop_guard("display")
    for second in range(10):
        assert not breaking.returns(says("sounder", 5, float(second)))
    # Two sounders with one reading, both talkers only, agree now and then.
    for second in range(100):
        assert not breaking.returns(says("sounder", second, second + 0.0))
        same = second if second % 2 else -second
        assert not breaking.returns(says("second-sounder", same, second + 0.1))
    assert breaking.dropped == 0


def test_a_talker_that_says_only_what_others_said_is_a_repeater() -> None:
    """The talker may be a second adapter on the same wire. Dropping its sentences changes nothing
    here: they come whatever we send. A ring is another thing, see test_loop_guard_rings.py."""
    breaking = loop_guard()
    for number in range(200):
        assert not breaking.returns(says("gnss", number, number / 10))
        assert not breaking.returns(says("repeater", number, number / 10 + 0.05))


def test_an_input_that_repeats_its_fixes_is_a_repeater() -> None:
    """20 fixes a second with times of whole seconds, and a depth that stays. What comes whatever
    we send is no ring, and nothing of it is dropped; were it one, the fixes would come late."""
    breaking = loop_guard()
    for second in range(60):
        for n in range(20):
            at = second + n / 20
            fix = make(f"$GPGGA,1235{second:02},4807.038,N", origin="net", heard=at)
            depth = make("$SDDPT,5.2,0.5", origin="net", heard=at + 0.01)
            assert not breaking.returns(fix)
            assert not breaking.returns(depth)


def test_an_instrument_on_the_network_may_say_the_same_as_often_as_it_likes() -> None:
    breaking = loop_guard()
    bodies = "$HCHDG,101.1,,,7.1,W", "$GPGGA,,,,,,0", "$SDDPT,5.2,0.5"
    for n in range(600):
        fix = f"$GPGGA,{123500 + n},4807.038,N"
        for body in (fix, *bodies):
            assert not breaking.returns(make(body, origin="net", heard=n / 10))


def test_two_receivers_hear_the_same_targets() -> None:
    breaking = loop_guard()
    for number in range(100):
        body = f"!AIVDM,1,1,,A,{number:020d},0"
        assert not breaking.returns(make(body, origin="ais", heard=number / 10))
        assert not breaking.returns(make(body, origin="second-ais", heard=number / 10))


def test_memory_is_bounded() -> None:
    breaking = loop_guard("display")
    for number in range(3 * MAX_SENTENCES):
        breaking.returns(says("gnss", number, 0.0))
    assert max(map(len, breaking._recent.values())) <= 2 * MAX_SENTENCES
    breaking = loop_guard("display")
    for number in range(MAX_SENTENCES):
        breaking.returns(says("gnss", number, number / 10))
    assert max(map(len, breaking._recent.values())) <= 2 * (MAX_SENTENCE_AGE_S * 10 + 2)


@given(st.integers(0, 2**32 - 1), st.integers(0, 32), st.integers(0, 2**32 - 1))
def test_a_subnet_holds_what_the_standard_library_says(base: int, length: int, other: int) -> None:
    network = IPv4Network((base, length), strict=False)
    subnet = Subnet.parse(str(network))
    assert subnet.holds(str(IPv4Address(other))) == (IPv4Address(other) in network)
    assert subnet.holds(str(network.broadcast_address))
