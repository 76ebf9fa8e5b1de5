# SPDX-License-Identifier: GPL-3.0-or-later
"""Honest repeaters lose nothing, and rings of outside devices die out.

A ring is closed here as it is at sea: what the feed sends comes back to an origin after a while,
and what the feed drops does not come back.
"""

import heapq
import itertools
from collections import Counter
from collections.abc import Callable, Sequence
from random import Random
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from provision.onboard.feed.nmea0183.sentence import make
from provision.onboard.feed.policy.loop_guard import ECHO_WINDOW_S, STALE_FIX_S, LoopGuard
from provision.onboard.feed.report.fault_log import FaultLog

WIRE = "wire"
GATEWAY = "gateway"
NETWORK = "network"

#: Wires that talk alone.
WIRES: dict[str, frozenset[str]] = {WIRE: frozenset(), GATEWAY: frozenset()}


class Instrument(NamedTuple):
    """Says something at an interval in seconds."""

    origin: str
    interval: float
    says: Callable[[float], str]


class Relay(NamedTuple):
    """Brings all that the feed sends to an origin, after so many seconds, give or take 3 %."""

    origin: str
    delay: float


class Heard(NamedTuple):
    """Holds one sentence that came to the feed."""

    at: float
    origin: str
    body: str
    relayed: bool
    passed: bool


def play(
    instruments: Sequence[Instrument],
    relays: Sequence[Relay],
    seconds: float,
    breaking: LoopGuard | None = None,
) -> list[Heard]:
    """Let the instruments speak for so long, and then the relays until none says any more."""
    breaking = breaking or LoopGuard(WIRES, FaultLog())
    random, count = Random(1), itertools.count()
    coming: list[tuple[float, int, str, str, bool]] = []
    for origin, interval, says in instruments:
        for number in range(round(seconds / interval)):
            at = number * interval + random.random() / 50
            coming.append((at, next(count), origin, says(number * interval), False))
    heapq.heapify(coming)
    heard: list[Heard] = []
    while coming and coming[0][0] < 4 * seconds:
        assert len(heard) < 50000, "a flood"
        at, _, origin, body, relayed = heapq.heappop(coming)
        passed = not breaking.returns(make(body, origin=origin, heard=at))
        heard.append(Heard(at, origin, body, relayed, passed))
        for to, delay in relays if passed else ():
            back = at + delay * random.uniform(0.97, 1.03)
            heapq.heappush(coming, (back, next(count), to, body, True))
    return heard


def moving_fix(at: float) -> str:
    """Play a receiver under way, whose times are of whole seconds."""
    return f"$GPRMC,{100000 + int(at)},A,{4807 + at / 100:.4f},N,01131.000,E,5.2,,230394,,,A"


def still_fix(at: float) -> str:
    """Play a receiver that lies still."""
    return f"$GPRMC,{100000 + int(at)},A,4807.0380,N,01131.000,E,0.0,,230394,,,A"


def moving_depth(at: float) -> str:
    """Play a sounder that never repeats a depth."""
    return f"$SDDPT,{at:.2f},0.5"


def compass(at: float) -> str:
    """Play a compass that goes to and fro."""
    return f"$HEHDT,{90 + Random(at).randrange(8) / 10:.1f},T"


def constant(value: str) -> Callable[[float], str]:
    return lambda _: value


def numbered(says: Callable[[float], str], number: int) -> Callable[[float], str]:
    """Play an instrument that says nothing that another says."""
    return lambda at: f"{says(at)},{number}"


def lost(heard: Sequence[Heard]) -> int:
    """Return how much of what instruments said was dropped."""
    return sum(not h.passed and not h.relayed for h in heard)


def rate(heard: Sequence[Heard], since: float, until: float) -> float:
    """Return sentences passed a second."""
    return sum(h.passed and since <= h.at < until for h in heard) / (until - since)


@pytest.mark.parametrize("origin", [WIRE, NETWORK])
@pytest.mark.parametrize("hertz", [1, 5, 10, 20])
def test_a_receiver_that_lies_still_loses_nothing(origin: str, hertz: int) -> None:
    assert lost(play([Instrument(origin, 1 / hertz, still_fix)], [], 60.0)) == 0


@pytest.mark.parametrize("origin", [WIRE, NETWORK])
def test_instruments_at_rest_lose_one_of_hundreds_to_a_test(origin: str) -> None:
    """A sentence is withheld now and then to find out whether it comes again regardless; of
    those that say where we are or that steer, none."""
    at_rest = [Instrument(origin, 1.0, constant(f"$GPGSV,3,1,{n}")) for n in range(20)]
    steers = Instrument(WIRE, 1.0, constant("$GPAPB,A,A,0.10,L,N,V,V,011,M,DEST,011,M,011,M"))
    others = [Instrument(origin, 0.2, still_fix), Instrument(origin, 0.1, compass), steers]
    heard = play(at_rest + others, [], 600.0)
    assert lost(heard) <= 10
    assert {h.body[3:6] for h in heard if not h.passed} <= {"GSV"}
    gone = Counter(h.body for h in heard if not h.passed)
    assert max(gone.values(), default=0) <= 1


def test_an_instrument_on_a_wire_that_repeats_old_fixes_is_heard() -> None:
    """The instrument may be a simulated one that begins again every 20 s."""
    looped = [
        Instrument(WIRE, 0.5, lambda at: moving_fix(at % 20)),
        Instrument(WIRE, 0.1, lambda at: moving_depth(at % 20)),
    ]
    heard = play(looped, [], 300.0)
    assert lost(heard) < 0.02 * len(heard)
    frozen = [Instrument(WIRE, 1.0, constant(still_fix(0.0)))]
    assert lost(play(frozen, [], 300.0)) == 0


@pytest.mark.parametrize("delay", [0.1, 1.0, 3.5, 10.0, 30.0])
def test_a_ring_with_a_relay_dies_out(delay: float) -> None:
    """A says 48 fixes; each that we send comes to A's input again."""
    fixes = Instrument(NETWORK, 0.5, lambda at: moving_fix(2 * at))
    heard = play([fixes], [Relay(NETWORK, delay)], 24.0)
    assert lost(heard) == 0
    assert sum(h.passed for h in heard) <= 2 * 48
    assert heard[-1].at < 24 + 2 * delay


#: Relays, seconds that the instruments speak, and when the ring has to be broken by.
RINGS = {
    "at once": ([Relay(NETWORK, 0.1)], 60.0, 25.0),
    "a second": ([Relay(NETWORK, 1.0)], 60.0, 30.0),
    "slow": ([Relay(NETWORK, 3.5)], 60.0, 20.0),
    "slower": ([Relay(NETWORK, 10.0)], 120.0, 50.0),
    "two ways": ([Relay(NETWORK, 1.0), Relay(NETWORK, 1.2)], 60.0, 30.0),
    "two inputs": ([Relay(NETWORK, 3.5), Relay("other", 6.0)], 120.0, 30.0),
    "a gateway to a wire": ([Relay(GATEWAY, 0.05)], 60.0, 10.0),
    "a slow gateway": ([Relay(GATEWAY, 3.5)], 120.0, 30.0),
}


@pytest.mark.parametrize(("relays", "seconds", "broken"), RINGS.values(), ids=list(RINGS))
def test_a_ring_of_all_sorts_dies_out_and_no_instrument_in_it_is_silenced(
    relays: list[Relay], seconds: float, broken: float
) -> None:
    instruments = [
        Instrument(WIRE, 0.2, moving_fix),
        Instrument(NETWORK, 0.5, moving_depth),
        Instrument(NETWORK, 0.1, compass),
        Instrument(NETWORK, 0.1, constant("$TIROT,0.0,A")),
    ]
    # A wire is not silenced by what the network said before: it brings each once more.
    said = 5 + (2 + 10 + 10) * (2 if relays[0].origin == GATEWAY else 1)
    heard = play(instruments, relays, seconds)
    # Once it is broken, as much is sent as the instruments say.
    assert 0.7 * said < rate(heard, broken, seconds) < 1.3 * said
    # No value is lost, and none goes round for long.
    firsts = {h.body for h in heard if not h.relayed}
    assert firsts == {h.body for h in heard if h.passed}
    gone = seconds + 1 + 10 * max(relay.delay for relay in relays)
    assert not [h for h in heard if h.at > gone and h.passed]
    for body in ("$TIROT", "$HEHDT", "$SDDPT"):
        times = [h.at for h in heard if h.passed and h.body.startswith(body) and h.at > broken]
        assert max(b - a for a, b in itertools.pairwise(times)) < 4.0


@pytest.mark.parametrize("origin", [NETWORK, GATEWAY])
@pytest.mark.parametrize("delay", [0.05, 1.0, 3.5])
def test_a_ring_without_fixes_dies_out(origin: str, delay: float) -> None:
    heard = play([Instrument(NETWORK, 0.5, moving_depth)], [Relay(origin, delay)], 100.0)
    assert lost(heard) == 0
    # A wire is not silenced by what the network said before: it brings each once more.
    assert rate(heard, 40.0, 100.0) == pytest.approx(2.0 if origin == NETWORK else 4.0, abs=0.1)


def test_a_compass_is_not_silenced_by_a_sender_that_says_its_sentences_first() -> None:
    breaking = LoopGuard({"compass": frozenset()}, FaultLog())
    dropped = 0
    for n in range(100):
        body = f"$HEHDT,{n}.0,T"
        breaking.returns(make(body, origin=NETWORK, heard=n / 10))
        dropped += breaking.returns(make(body, origin="compass", heard=n / 10 + 0.05))
    assert dropped == 0


def test_nor_is_a_pilot_that_listens_to_headings() -> None:
    breaking = LoopGuard({"pilot": frozenset({"HDT"})}, FaultLog())
    for n in range(100):
        body = f"$HEHDT,{n}.0,T"
        breaking.returns(make(body, origin=NETWORK, heard=n / 10))
        assert not breaking.returns(make(body, origin="pilot", heard=n / 10 + 0.05))


@pytest.mark.parametrize("delay", [0.05, 2.5, 30.0])
def test_nobody_on_the_network_silences_a_receiver_by_saying_its_fixes_first(delay: float) -> None:
    """The fixes of a boat that lies still can be foretold."""
    breaking = LoopGuard({"gnss": frozenset()}, FaultLog())
    for n in range(200):
        breaking.returns(make(still_fix(n + delay), origin=NETWORK, heard=n + 0.0))
        assert not breaking.returns(make(still_fix(n), origin="gnss", heard=n + 0.1))


def test_another_input_does_not_silence_the_one_that_a_pilot_listens_to() -> None:
    breaking = LoopGuard({"pilot": frozenset()}, FaultLog(), {"compass"})
    for n in range(100):
        body = f"$HEHDT,{n}.0,T"
        assert not breaking.returns(make(body, origin="guests", heard=n / 10))
        assert not breaking.returns(make(body, origin="compass", heard=n / 10 + 0.01))


@pytest.mark.parametrize("delay", [0.3, 1.0, 3.5, 20.0])
def test_steering_does_not_circulate(delay: float) -> None:
    """A plotter on the network steers; what it says comes back through its own input."""
    route = [
        Instrument(WIRE, 0.2, moving_fix),
        Instrument(NETWORK, 1.0, lambda at: f"$GPAPB,A,A,{at:.2f},L,N,V,V,011,M,DEST,011,M,011,M"),
    ]
    heard = play(route, [Relay(NETWORK, delay)], 60.0)
    assert lost(heard) == 0
    old = [h for h in heard if h.relayed and h.passed and "APB" in h.body]
    assert len(old) <= (2 if delay < ECHO_WINDOW_S else 1)


@pytest.mark.parametrize("delay", [STALE_FIX_S + 0.1, 20.0, 59.0])
def test_a_fix_that_comes_late_by_another_way_is_old(delay: float) -> None:
    breaking = LoopGuard(WIRES, FaultLog())
    assert not breaking.returns(make(still_fix(0.0), origin=WIRE, heard=0.0))
    assert breaking.returns(make(still_fix(0.0), origin=NETWORK, heard=delay))


@st.composite
def boats(draw: st.DrawFn) -> tuple[list[Instrument], list[Relay]]:
    """Return a receiver under way, other instruments, and a ring that may be there."""
    rates = st.sampled_from([0.1, 0.2, 0.5, 1.0])
    origins = st.sampled_from([WIRE, NETWORK])
    says = st.sampled_from([moving_depth, compass, constant("$TIROT,0.0,A")])
    instruments = [Instrument(draw(origins), draw(rates), moving_fix)]
    for number in range(draw(st.integers(0, 3))):
        inner = draw(says)
        body = numbered(inner, number)
        instruments.append(Instrument(draw(origins), draw(rates), body))
    delays = st.floats(0.05, 8.0)
    relays = st.builds(Relay, st.sampled_from([NETWORK, GATEWAY]), delays)
    return instruments, draw(st.lists(relays, max_size=1))


@settings(max_examples=20, deadline=None)
@given(boats())
def test_whatever_is_in_a_ring_every_value_is_heard_and_it_dies_out(
    boat: tuple[list[Instrument], list[Relay]],
) -> None:
    instruments, relays = boat
    seconds = 60.0
    heard = play(instruments, relays, seconds)
    assert {h.body for h in heard} == {h.body for h in heard if h.passed}
    if not relays:
        assert lost(heard) <= 2
    elif instruments[0].origin == NETWORK:
        # Fixes come late to where they came from, and tell how long the ring takes.
        late = seconds + 2 * relays[0].delay + 1
        assert not [h for h in heard if h.passed and h.at > late]
