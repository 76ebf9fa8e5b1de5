# SPDX-License-Identifier: GPL-3.0-or-later
import asyncio
import time
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183.sentence import Sentence, make
from provision.onboard.feed.outputs import agreement
from provision.onboard.feed.outputs import time_source as clocks
from provision.onboard.feed.outputs.time_source import TimeSource
from tests.support.feed.chrony_socket import BUILT, Chrony, rmc
from tests.support.feed.rig import Bench, until


def zda(at: float) -> str:
    moment = datetime.fromtimestamp(at, UTC)
    return f"$GPZDA,{moment:%H%M%S}.00,{moment:%d,%m,%Y},00,00"


@pytest.fixture
def both(bench: Bench, chrony: Chrony) -> None:
    """Let two links tell the time, of which the first is preferred."""
    bench.settings["clock"]["links"] = ["gnss", "spare"]


def play(bench: Bench, tell: Callable[[TimeSource, Callable[..., Sentence]], None]) -> TimeSource:
    """Give the clock sentences; `say(body, ago, origin)` makes one heard so long ago."""
    made: list[TimeSource] = []

    async def run(feed: Feed) -> None:
        assert feed.clock is not None
        made.append(feed.clock)
        now = asyncio.get_running_loop().time()

        def say(body: str, at: float = 0.0, origin: str = "gnss") -> Sentence:
            sentence = make(body, origin=origin, heard=now + at)
            feed.router.publish([sentence])
            return sentence

        tell(feed.clock, say)

    bench.run(run)
    return made[0]


def test_the_delay_on_the_wire_is_taken_off(bench: Bench, chrony: Chrony) -> None:
    true = BUILT + 1000000

    def tell(clock: TimeSource, say: Callable[..., Sentence]) -> None:
        for second in range(5):
            say(rmc(true + second), second)

    before = time.time()
    play(bench, tell)
    size = len(make(rmc(true), origin="x", heard=0).raw)
    samples = chrony.samples()
    # Three must agree before the first is given.
    assert len(samples) == 3
    for second, (at, offset) in enumerate(samples, start=2):
        # IEC 61162-1: ten bits a character at 4800 baud.
        began = before + second - size * 10 / 4800
        assert at == pytest.approx(began, abs=0.2)
        assert at + offset == pytest.approx(true + second, abs=1e-5)


def test_what_was_read_behind_the_sentence_is_taken_off_too(bench: Bench, chrony: Chrony) -> None:
    async def run(feed: Feed) -> None:
        gnss = bench.instruments["gnss"]
        behind = make("$GPGSV,1,1,00", origin="x", heard=0).raw * 3
        for second in range(3):
            gnss.say(make(rmc(BUILT + second / 50), origin="x", heard=0).raw + behind)
            await asyncio.sleep(0.02)
        await until(lambda: feed.clock.samples == 1)  # type: ignore[union-attr]

    before = time.time()
    bench.run(run)
    after = time.time()
    ((at, _),) = chrony.samples()
    size = len(make(rmc(BUILT), origin="x", heard=0).raw) + 3 * 19
    assert before <= at + size * 10 / 4800 <= after


def test_void_fixes_are_refused(bench: Bench, chrony: Chrony) -> None:
    def tell(clock: TimeSource, say: Callable[..., Sentence]) -> None:
        for second in range(10):
            say(rmc(BUILT + second, status="V", mode="N"), second)
            say(zda(BUILT + second), second + 0.1)

    clock = play(bench, tell)
    assert chrony.samples() == []
    assert clock.refused["void"] == 20


def test_zda_counts_while_the_receiver_has_a_fix(bench: Bench, chrony: Chrony) -> None:
    def tell(clock: TimeSource, say: Callable[..., Sentence]) -> None:
        for second in range(4):
            say("$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", second)
            say(zda(BUILT + second), second + 0.1)
        for second in range(4, 8):
            say("$GPGGA,123519,,,,,0,00,,,M,,M,,", second)
            say(zda(BUILT + second), second + 0.1)

    play(bench, tell)
    assert len(chrony.samples()) == 2


def test_a_receiver_past_its_week_roll_over_is_refused(
    bench: Bench, chrony: Chrony, caplog: pytest.LogCaptureFixture
) -> None:
    # IS-GPS-200: an old receiver's date is wrong by a multiple of 7168 days.
    wrong = BUILT + 86400 - 7168 * 86400

    def tell(clock: TimeSource, say: Callable[..., Sentence]) -> None:
        for second in range(10):
            say(rmc(wrong + second), second)
            say(rmc(BUILT + 7168 * 86400 + 86400 + second), second + 0.5)

    clock = play(bench, tell)
    assert chrony.samples() == []
    assert clock.refused["date"] == 20
    assert caplog.text.count("refused") == 1


@pytest.mark.parametrize(
    ("not_before", "date", "refused"),
    [
        # Left out: any day since the boat's Debian, 1024 weeks long.
        (None, "2026-11-25", False),
        (None, "2045-03-01", False),
        (None, "2025-08-08", True),
        (None, "2045-04-01", True),
        # An early one lets old logs be played; it takes nothing from today's dates.
        (0, "1995-06-01", False),
        (0, "2026-11-25", False),
    ],
)
def test_dates_are_judged_without_not_before_too(
    bench: Bench,
    chrony: Chrony,
    monkeypatch: pytest.MonkeyPatch,
    not_before: float | None,
    date: str,
    refused: bool,
) -> None:
    monkeypatch.setattr(clocks, "BASE_FILE", str(bench.folder / "none.json"))
    del bench.settings["clock"]["not_before"]
    if not_before is not None:
        bench.settings["clock"]["not_before"] = not_before
    at = datetime.fromisoformat(f"{date}T12:00:00+00:00").timestamp()

    def tell(clock: TimeSource, say: Callable[..., Sentence]) -> None:
        for second in range(3):
            say(zda(at + second), second)

    clock = play(bench, tell)
    assert clock.refused["date"] == (3 if refused else 0)
    assert bool(chrony.samples()) != refused


@pytest.mark.parametrize(
    ("text", "refused"),
    [
        (f'{{"built": {BUILT + 10 * 86400:.0f}}}', 3),
        (f'{{"built": {BUILT - 10 * 86400:.0f}}}', 0),
        ('{"built": null}', 0),
        ("{}", 0),
        ("half a fi", 0),
        (None, 0),
    ],
)
def test_dates_before_the_base_was_built_are_refused(
    bench: Bench, chrony: Chrony, monkeypatch: pytest.MonkeyPatch, text: str | None, refused: int
) -> None:
    base = bench.folder / "base.json"
    monkeypatch.setattr(clocks, "BASE_FILE", str(base))
    if text is not None:
        base.write_text(text)

    def tell(clock: TimeSource, say: Callable[..., Sentence]) -> None:
        for second in range(3):
            say(rmc(BUILT + 5 * 86400 + second), second)

    clock = play(bench, tell)
    assert clock.refused["date"] == refused
    assert bool(chrony.samples()) == (refused == 0)


def test_jumps_are_refused_until_they_stay(bench: Bench, chrony: Chrony) -> None:
    def tell(clock: TimeSource, say: Callable[..., Sentence]) -> None:
        for second in range(5):
            say(rmc(BUILT + second), second)
        assert len(chrony.samples()) == 3
        # A few sentences of nonsense, then the truth again.
        for second in range(5, 15):
            say(rmc(BUILT + 3600 + second), second)
        assert chrony.samples() == []
        for second in range(15, 20):
            say(rmc(BUILT + second), second)
        assert len(chrony.samples()) == 5
        # The first sentences after the start were wrong, and this is the truth.
        for second in range(20, 20 + clocks.JUMP_SENTENCES + 3):
            say(rmc(BUILT + 7200 + second), second)
        assert len(chrony.samples()) == 3

    clock = play(bench, tell)
    assert clock.refused["jump"] == 10 + clocks.JUMP_SENTENCES


def test_sentences_that_do_not_agree_set_nothing(bench: Bench, chrony: Chrony) -> None:
    def tell(clock: TimeSource, say: Callable[..., Sentence]) -> None:
        for second in range(20):
            say(rmc(BUILT + second * 3600), second)

    play(bench, tell)
    assert chrony.samples() == []


def test_of_two_that_differ_from_the_beginning_neither_is_believed(
    bench: Bench, chrony: Chrony, both: None, caplog: pytest.LogCaptureFixture
) -> None:
    """Nothing shows which is wrong. The preferred one, heard first, may be."""

    def tell(clock: TimeSource, say: Callable[..., Sentence]) -> None:
        for second in range(200):
            say(rmc(BUILT + second + 3600), second)
            say(rmc(BUILT + second), second + 0.2, "spare")
        assert clock.refused["conflict"] > 300

    play(bench, tell)
    assert chrony.samples() == []
    assert "differs from gnss: spare -3600." in caplog.text


def test_the_state_names_by_how_much_two_differ(bench: Bench, chrony: Chrony, both: None) -> None:
    def tell(clock: TimeSource, say: Callable[..., Sentence]) -> None:
        say(rmc(BUILT + 3600), 0)
        say(rmc(BUILT), 0, "spare")
        assert clock.as_json()["differences"] == {"gnss": 0.0, "spare": -3600.0}

    play(bench, tell)


Says = Callable[[int], dict[str, float]]

MINUTE, HOUR = round(agreement.ALONE_S), round(agreement.TRUSTED_ALONE_S)


def samples_of(
    bench: Bench, chrony: Chrony, seconds: int, says: Says, true: float = BUILT
) -> list[tuple[int, float]]:
    """Give the second and the offset of each sample that chrony is given.

    Links say, each second, times that are off by so much.
    """
    given: list[tuple[int, float]] = []

    def tell(clock: TimeSource, say: Callable[..., Sentence]) -> None:
        for second in range(seconds):
            for number, (link, off) in enumerate(says(second).items()):
                at = second + number / 10
                say(rmc(true + at + off), at, link)
            given.extend((second, offset) for _, offset in chrony.samples())

    play(bench, tell)
    return given


def offsets_of(bench: Bench, chrony: Chrony, seconds: int, says: Says) -> list[float]:
    return [offset for _, offset in samples_of(bench, chrony, seconds, says)]


def test_two_that_agree_outvote_the_preferred_one(bench: Bench, chrony: Chrony) -> None:
    bench.settings["clock"]["links"] = ["gnss", "spare", "other"]
    given = offsets_of(bench, chrony, 100, lambda _: {"gnss": 3600, "spare": 0, "other": 0})
    assert len(given) > 90
    assert max(given) - min(given) < 2


@pytest.mark.parametrize("wrong", ["gnss", "spare"])
def test_what_two_agreed_on_decides(bench: Bench, chrony: Chrony, wrong: str) -> None:
    """Of three links one falls silent, then another goes wrong."""
    bench.settings["clock"]["links"] = ["gnss", "spare", "other"]
    right = {"gnss": "spare", "spare": "gnss"}[wrong]

    def says(second: int) -> dict[str, float]:
        if second < 2 * agreement.TRUSTED_S:
            return {right: 0, "other": 0}
        return {right: 0, wrong: 3600}

    given = offsets_of(bench, chrony, 300, says)
    assert len(given) == pytest.approx(300 - agreement.MIN_AGREEING_SENTENCES, abs=2)
    assert max(given) - min(given) < 2


@pytest.mark.parametrize("first", ["gnss", "spare"])
@pytest.mark.parametrize("later", [1, 18, 55])
def test_a_wrong_one_gives_nothing_before_the_other_can_contradict(
    bench: Bench, chrony: Chrony, both: None, first: str, later: int
) -> None:
    """The second receiver has its first fix so many seconds after the first one."""
    second_one = {"gnss": "spare", "spare": "gnss"}[first]

    def says(second: int) -> dict[str, float]:
        return {first: 3600} | ({second_one: 0} if second >= later else {})

    assert offsets_of(bench, chrony, 300, says) == []


def test_one_alone_waits_for_a_minute(
    bench: Bench, chrony: Chrony, both: None, caplog: pytest.LogCaptureFixture
) -> None:
    given = samples_of(bench, chrony, 100, lambda _: {"gnss": 3600})
    assert given[0][0] == pytest.approx(MINUTE, abs=1)
    assert len(given) == pytest.approx(100 - MINUTE, abs=1)
    assert caplog.text.count("gnss alone tells the time") == 1


def test_one_that_is_named_alone_gives_at_once(bench: Bench, chrony: Chrony) -> None:
    assert (
        len(offsets_of(bench, chrony, 10, lambda _: {"gnss": 3600}))
        == 10 - agreement.MIN_AGREEING_SENTENCES + 1
    )


def test_one_that_another_agrees_with_gives_at_once(
    bench: Bench, chrony: Chrony, both: None
) -> None:
    given = samples_of(bench, chrony, 30, lambda n: {"gnss": 0} | ({"spare": 0} if n > 9 else {}))
    assert given[0][0] == pytest.approx(10 + agreement.MIN_AGREEING_SENTENCES - 1, abs=1)
    assert len(given) == pytest.approx(30 - 12, abs=1)


@pytest.mark.parametrize(("off", "first"), [(0, 2), (-4, 2), (20, MINUTE)])
def test_one_that_says_what_the_boats_clock_says_gives_at_once(
    bench: Bench, chrony: Chrony, both: None, off: float, first: int
) -> None:
    """The system's clock is right already by a clock chip, or when the feed starts again."""
    given = samples_of(bench, chrony, 90, lambda _: {"gnss": off}, true=time.time())
    assert given[0][0] == pytest.approx(first, abs=1)


def test_what_the_boats_clock_says_decides_between_no_two(
    bench: Bench, chrony: Chrony, both: None
) -> None:
    """The wrong one may have set it before."""

    def says(second: int) -> dict[str, float]:
        return {"gnss": 0, "spare": 3600}

    # Only until the other has said three times what it says.
    assert len(samples_of(bench, chrony, 90, says, true=time.time())) <= 1


@pytest.mark.parametrize("first", ["gnss", "spare"])
def test_what_one_alone_said_for_a_minute_does_not_decide(
    bench: Bench, chrony: Chrony, both: None, first: str
) -> None:
    second_one = {"gnss": "spare", "spare": "gnss"}[first]

    def says(second: int) -> dict[str, float]:
        return {first: 3600} | ({second_one: 0} if second >= MINUTE + 10 else {})

    assert len(offsets_of(bench, chrony, 300, says)) == pytest.approx(10, abs=3)


def test_what_one_alone_said_for_an_hour_decides_for_an_hour(
    bench: Bench, chrony: Chrony, both: None
) -> None:
    """The first may be wrong, so that the second is not refused for good."""
    begins = MINUTE + HOUR + 10

    def says(second: int) -> dict[str, float]:
        return {"gnss": 0} | ({"spare": 3600} if second >= begins else {})

    given = samples_of(bench, chrony, begins + 2 * HOUR, says)
    assert given[-1][0] == pytest.approx(begins + agreement.CONTEST_S, abs=5)
    assert len(given) == pytest.approx(HOUR + agreement.CONTEST_S, abs=20)
    offsets = [offset for _, offset in given]
    assert max(offsets) - min(offsets) < 2


def test_one_that_was_alone_for_an_hour_is_outvoted_by_two(bench: Bench, chrony: Chrony) -> None:
    bench.settings["clock"]["links"] = ["gnss", "spare", "other"]
    begins = MINUTE + HOUR + 10

    def says(second: int) -> dict[str, float]:
        return {"gnss": 3600} | ({"spare": 0, "other": 0} if second >= begins else {})

    given = samples_of(bench, chrony, begins + 300, says)
    wrong = [second for second, offset in given if offset > given[-1][1] + 1800]
    right = [second for second, offset in given if offset < given[-1][1] + 1800]
    assert wrong[-1] <= begins + agreement.MIN_AGREEING_SENTENCES
    assert right[0] == pytest.approx(begins + clocks.JUMP_S, abs=4)
    assert len(right) == pytest.approx(300 - clocks.JUMP_S, abs=4)


def test_one_that_was_alone_for_an_hour_and_falls_silent_is_followed(
    bench: Bench, chrony: Chrony, both: None
) -> None:
    begins = MINUTE + HOUR + 10

    def says(second: int) -> dict[str, float]:
        return {"gnss": 3600} if second < begins else {"spare": 0}

    given = samples_of(bench, chrony, begins + 100, says)
    assert given[-1][1] == pytest.approx(given[0][1] - 3600, abs=2)
    again = [second for second, offset in given if offset < given[0][1] - 1800]
    assert again[0] == pytest.approx(begins + clocks.JUMP_S, abs=15)


def test_two_that_differ_by_their_latency_alone_tell_the_time(
    bench: Bench, chrony: Chrony, both: None
) -> None:
    given = offsets_of(bench, chrony, 60, lambda _: {"gnss": 0, "spare": -1.5})
    assert len(given) > 50
    assert max(given) - min(given) < 1


def test_when_one_of_two_falls_silent_the_other_is_believed(
    bench: Bench, chrony: Chrony, both: None
) -> None:
    """After another minute alone: the one that is left may be the wrong one."""

    def says(second: int) -> dict[str, float]:
        return {"gnss": 3600, "spare": 0} if second < 30 else {"spare": 0}

    assert offsets_of(bench, chrony, 30, says) == []
    given = samples_of(bench, chrony, 150, says)
    assert given[0][0] == pytest.approx(30 + agreement.FIX_HOLDS_S + MINUTE, abs=3)
    assert len(given) == pytest.approx(150 - given[0][0], abs=1)


def test_one_that_contradicts_now_and_then_is_heard(
    bench: Bench, chrony: Chrony, both: None
) -> None:
    """A receiver with a poor sky: the other is never alone for a whole minute."""

    def says(second: int) -> dict[str, float]:
        return {"gnss": 3600} | ({"spare": 0} if second % 40 < 5 else {})

    assert offsets_of(bench, chrony, 300, says) == []


def test_one_that_agrees_with_nothing_it_has_said_contradicts_nobody(
    bench: Bench, chrony: Chrony, both: None
) -> None:
    given = offsets_of(bench, chrony, 100, lambda n: {"gnss": 0, "spare": n * 77})
    assert len(given) == pytest.approx(100 - MINUTE, abs=2)


def test_a_receiver_that_is_wrong_in_its_first_seconds_is_believed_later(
    bench: Bench, chrony: Chrony, both: None
) -> None:
    def says(second: int) -> dict[str, float]:
        return {"gnss": 86400 if second < 20 else 0, "spare": 0}

    given = offsets_of(bench, chrony, 100, says)
    assert len(given) == pytest.approx(80, abs=4)
    assert max(given) - min(given) < 2


@pytest.mark.parametrize("often", [1, 10])
def test_a_jump_and_a_minute_alone_are_measured_by_time(
    bench: Bench, chrony: Chrony, both: None, often: int
) -> None:
    """A receiver that says it ten times a second is believed no sooner."""

    def tell(clock: TimeSource, say: Callable[..., Sentence]) -> None:
        for number in range(MINUTE * often - often):
            say(rmc(BUILT + number / often), number / often)
        assert clock.refused["alone"] > 50 * often
        assert chrony.samples() == []
        for number in range(MINUTE * often - often, 2 * MINUTE * often):
            say(rmc(BUILT + number / often), number / often)
        assert len(chrony.samples()) > 9
        before = clock.refused["jump"]
        for number in range(2 * MINUTE * often, 3 * MINUTE * often - often):
            say(rmc(BUILT + 3600 + number / often), number / often)
        assert clock.refused["jump"] > before + 50 * often
        assert chrony.samples() == []

    play(bench, tell)


def test_what_may_have_waited_before_it_was_read_tells_no_time(
    bench: Bench, chrony: Chrony
) -> None:
    async def run(feed: Feed) -> None:
        now = asyncio.get_running_loop().time()
        for second in range(6):
            fresh = make(rmc(BUILT + second), origin="gnss", heard=now + second)
            feed.router.publish([fresh._replace(waited=0.9 if second % 2 else 0.2)])
        assert feed.clock is not None
        assert feed.clock.refused["late"] == 3

    bench.run(run)
    assert len(chrony.samples()) == 1


def test_the_first_named_link_that_is_good_tells_the_time(
    bench: Bench, chrony: Chrony, both: None
) -> None:
    def tell(clock: TimeSource, say: Callable[..., Sentence]) -> None:
        for second in range(5):
            say(rmc(BUILT + second), second)
            say(rmc(BUILT + second + 0.4), second + 0.1, "spare")
            say(rmc(BUILT + second + 0.4), second + 0.1, "other")
        # Three of its own must agree, and the spare's three; what the spare says does not count.
        assert clock.samples == 2
        for second in range(5, 20):
            say(rmc(BUILT + second), second, "spare")
        assert set(clock.as_json()["good"]) == {"gnss", "spare"}

    play(bench, tell)


def test_starts_before_chrony_and_finds_it(
    bench: Bench, chrony: Chrony, caplog: pytest.LogCaptureFixture
) -> None:
    chrony.path.rename(chrony.path.with_name("later"))

    def tell(clock: TimeSource, say: Callable[..., Sentence]) -> None:
        for second in range(10):
            say(rmc(BUILT + second), second)
        assert clock.refused["unsent"] == 8
        chrony.path.with_name("later").rename(chrony.path)
        say(rmc(BUILT + 10), 10)
        assert clock.samples == 1

    play(bench, tell)
    assert len(chrony.samples()) == 1
    assert caplog.text.count("No such file") == 1
