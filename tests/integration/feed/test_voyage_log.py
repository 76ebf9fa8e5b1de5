# SPDX-License-Identifier: GPL-3.0-or-later
import asyncio
import gzip
import os
import subprocess
import time
from pathlib import Path
from threading import Event

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183.framer import Framer
from provision.onboard.feed.sources import ingest
from provision.onboard.feed.voyage_log import log as voyage
from provision.onboard.feed.voyage_log.log import VoyageLog
from provision.onboard.feed.voyage_log.reader import read
from tests.support.feed.rig import (
    APB,
    GGA,
    GLL,
    STATIC,
    VTG,
    Bench,
    Tablet,
    feed_sentence,
    numbered,
    port_of,
    until,
)


@pytest.fixture
def logging_bench(bench: Bench) -> Bench:
    bench.settings["log"] = {"folder": str(bench.folder / "log"), "interval": 3600}
    return bench


def names(bench: Bench) -> list[str]:
    return sorted(os.listdir(bench.folder / "log"))


def path(bench: Bench, number: int = 1) -> str:
    day = time.strftime("%Y-%m-%d", time.gmtime())
    return str(bench.folder / "log" / f"log-{number:06d}-{day}.gz")


def log_of(feed: Feed) -> VoyageLog:
    assert feed.log is not None
    return feed.log


def test_what_an_adapter_may_have_stored_up_is_logged_and_goes_nowhere_else(
    logging_bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The log is there to find out later what steered; what was withheld belongs in it."""
    monkeypatch.setattr(ingest, "STORED_S", 60.0)
    plotter = logging_bench.link("plotter", talks={"APB": 1})

    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed))
        await until(lambda: feed.server._clients)  # type: ignore[union-attr]
        plotter.say(APB + GLL)
        await until(lambda: tablet.look() == GLL)
        tablet.close()

    logging_bench.run(play)
    assert [entry.raw for entry in read(path(logging_bench))] == [APB, GLL]


def test_everything_heard_is_read_back_with_its_time(logging_bench: Bench) -> None:
    gnss, ais = logging_bench.link("gnss"), logging_bench.link("ais")
    # The log keeps what is not believed, too.
    logging_bench.settings["prefer"] = {"order": {"position": ["ais"]}}
    before = time.time()

    async def play(feed: Feed) -> None:
        gnss.say(GLL + VTG)
        ais.say(b"".join(STATIC) + GGA)
        await until(lambda: log_of(feed).sentences == 4)

    logging_bench.run(play)
    entries = list(read(path(logging_bench)))
    assert {(e.origin, e.raw) for e in entries} == {
        ("gnss", GLL), ("gnss", VTG), ("ais", b"".join(STATIC)), ("ais", GGA)
    }  # fmt: skip
    for entry in entries:
        assert before - 0.01 <= entry.wall <= time.time()
        assert entry.monotonic == pytest.approx(time.monotonic(), abs=60)
    # General tools read it as well.
    text = subprocess.run(["zcat", path(logging_bench)], capture_output=True, check=True).stdout
    assert text.count(b"\n") == 5


def test_a_start_begins_a_new_file(logging_bench: Bench) -> None:
    gnss = logging_bench.link("gnss")

    async def play(feed: Feed) -> None:
        gnss.say(GLL)
        await until(lambda: log_of(feed).sentences == 1)

    for _ in range(3):
        logging_bench.run(play)
    assert names(logging_bench) == [os.path.basename(path(logging_bench, n)) for n in (1, 2, 3)]


def test_it_is_written_in_few_large_pieces(logging_bench: Bench) -> None:
    logging_bench.settings["log"]["interval"] = 1
    gnss = logging_bench.link("gnss")

    async def play(feed: Feed) -> None:
        began = time.monotonic()
        for number in range(110):
            gnss.say(b"".join(numbered(number * 5 + part) for part in range(5)))
            await asyncio.sleep(0.01)
        await until(lambda: feed.state()["log"]["sentences"] == 550)
        assert 1 <= feed.state()["log"]["writes"] <= time.monotonic() - began + 1

    logging_bench.run(play)
    assert len(list(read(path(logging_bench)))) == 550


def test_a_day_costs_the_card_little(logging_bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    async def play(feed: Feed) -> None:
        log = log_of(feed)
        # An hour of twelve sentences a second.
        for second in range(3600):
            for _ in range(4):
                for raw in (GLL, VTG, numbered(second)):
                    log.put(feed_sentence(raw, float(second)))
            if second % 300 == 299:
                await written(log)
        assert log.writes == 12
        # A hundred bytes a line with its TAG block would be 4 MB.
        assert log.written < 400_000

    logging_bench.run(play)


async def written(log: VoyageLog) -> None:
    """Have what was gathered written, and wait until it is, or is lost."""
    before = log.writes + log.lost
    log.write()
    await until(lambda: log.writes + log.lost == before + 1)


def test_a_write_may_follow_at_once_upon_the_last_ones_word(
    logging_bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A thread lives on for a moment after it has said that it has written."""
    may_end = Event()
    aside = VoyageLog._write_aside

    def lingering(log: VoyageLog, member: bytes) -> None:
        aside(log, member)
        may_end.wait(10)

    monkeypatch.setattr(VoyageLog, "_write_aside", lingering)

    async def play(feed: Feed) -> None:
        log = log_of(feed)
        for number in range(2):
            log.put(feed_sentence(numbered(number), 1.0))
            await written(log)
        assert (log.writes, log.lost) == (2, 0)
        may_end.set()

    logging_bench.run(play)
    assert [entry.raw for entry in read(path(logging_bench))] == [numbered(0), numbered(1)]


def test_a_fault_of_any_kind_costs_one_write(
    logging_bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    append = VoyageLog._append

    def faulty(log: VoyageLog, member: bytes) -> None:
        monkeypatch.setattr(VoyageLog, "_append", append)
        raise ValueError("of any kind")

    monkeypatch.setattr(VoyageLog, "_append", faulty)

    async def play(feed: Feed) -> None:
        log = log_of(feed)
        for number in range(2):
            log.put(feed_sentence(numbered(number), 1.0))
            await written(log)
        assert (log.writes, log.lost) == (1, 1)

    logging_bench.run(play)
    assert [entry.raw for entry in read(path(logging_bench))] == [numbered(1)]


def test_a_thread_that_cannot_start_costs_one_write(
    logging_bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_: voyage.Thread) -> None:
        raise RuntimeError("can't start new thread")

    async def play(feed: Feed) -> None:
        log = log_of(feed)
        log.put(feed_sentence(numbered(0), 1.0))
        with monkeypatch.context() as full:
            full.setattr(voyage.Thread, "start", refuse)
            log.write()
        log.put(feed_sentence(numbered(1), 1.0))
        await written(log)
        assert (log.writes, log.lost) == (1, 1)

    logging_bench.run(play)
    assert [entry.raw for entry in read(path(logging_bench))] == [numbered(1)]


@pytest.mark.parametrize("name", ["fore, port", "back\\slash", "star*", "Brücke", "a^2Cb", "~$!"])
def test_a_link_may_have_any_name(logging_bench: Bench, name: str) -> None:
    async def play(feed: Feed) -> None:
        (sentence,) = Framer(name, from_start=True).feed(GLL, 1.0)
        log_of(feed).put(sentence)

    logging_bench.run(play)
    (file,) = (logging_bench.folder / "log").iterdir()
    assert [(e.origin, e.raw) for e in read(str(file))] == [(name, GLL)]


def write_two_members(bench: Bench) -> bytes:
    gnss = bench.link("gnss")

    async def play(feed: Feed) -> None:
        gnss.say(b"".join(map(numbered, range(200))))
        await until(lambda: log_of(feed).sentences == 200)
        await written(log_of(feed))
        gnss.say(b"".join(map(numbered, range(200, 400))))
        await until(lambda: log_of(feed).sentences == 400)

    bench.run(play)
    return Path(path(bench)).read_bytes()


def test_wherever_a_power_cut_tears_it_the_rest_is_readable(logging_bench: Bench) -> None:
    data = write_two_members(logging_bench)
    first = len(gzip.decompress(data).splitlines()) // 2
    assert first == 200
    member = data.index(b"\x1f\x8b", 2)
    torn = logging_bench.folder / "torn.gz"
    for length in [*range(0, len(data), 97), member - 1, member, member + 1, len(data) - 1]:
        torn.write_bytes(data[:length])
        entries = [entry.raw for entry in read(str(torn))]
        # A prefix of what was heard, and all of the members that are whole.
        assert entries == list(map(numbered, range(len(entries))))
        if length >= member:
            assert len(entries) >= 200
    torn.write_bytes(data)
    assert len(list(read(str(torn)))) == 400


def test_the_cap_removes_the_lowest_number(logging_bench: Bench) -> None:
    """The files of an earlier version are the oldest, whatever day they name."""
    folder = logging_bench.folder / "log"
    folder.mkdir()
    ahead = ["log-000007-2036-01-01.gz", "log-000008-1970-01-01.gz"]
    for name in ["2036-01-02-001.gz", "2036-01-02-1000.gz", *ahead]:
        (folder / name).write_bytes(b"x" * 400_000)
    (folder / "notes.txt").write_text("somebody else's")
    logging_bench.settings["log"].update(cap=2**20, days=30)
    gnss = logging_bench.link("gnss")

    async def play(feed: Feed) -> None:
        gnss.say(GLL)
        await until(lambda: log_of(feed).sentences == 1)

    logging_bench.run(play)
    begun = os.path.basename(path(logging_bench, 9))
    assert names(logging_bench) == sorted([*ahead, begun, "notes.txt"])


def test_a_full_card_stops_the_log_and_nothing_else(
    logging_bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(voyage, "MIN_FREE_BYTES", 2**60)
    gnss = logging_bench.link("gnss")

    async def play(feed: Feed) -> None:
        for number in range(3):
            gnss.say(numbered(number))
            await until(lambda n=number: log_of(feed).sentences == n + 1)
            await written(log_of(feed))
        assert feed.state()["links"]["gnss"]["sentences"] == 3
        assert log_of(feed).lost == 2

    logging_bench.run(play)
    assert caplog.text.count("no room") == 1


def test_a_data_partition_that_is_not_there_stops_nothing(logging_bench: Bench) -> None:
    (logging_bench.folder / "blocked").touch()
    logging_bench.settings["log"]["folder"] = str(logging_bench.folder / "blocked" / "log")
    gnss = logging_bench.link("gnss")

    async def play(feed: Feed) -> None:
        gnss.say(GLL)
        await until(lambda: log_of(feed).sentences == 1)
        await written(log_of(feed))
        assert log_of(feed).lost == 1

    logging_bench.run(play)


def test_a_card_that_takes_long_holds_up_nobody(
    logging_bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    answers = Event()
    append = VoyageLog._append

    def slow(log: VoyageLog, member: bytes) -> None:
        answers.wait()
        append(log, member)

    monkeypatch.setattr(VoyageLog, "_append", slow)
    gnss = logging_bench.link("gnss")

    async def play(feed: Feed) -> None:
        log = log_of(feed)
        tablet = Tablet(port_of(feed))
        await until(lambda: feed.server._clients)  # type: ignore[union-attr]
        for number in range(4):
            gnss.say(numbered(number))
            await until(lambda n=number: numbered(n) in tablet.look())
            log.write()
        # What cannot be written meanwhile is lost, and gathers nowhere.
        assert (log.writes, log.lost) == (0, 3)
        answers.set()
        await until(lambda: log.writes == 1)
        gnss.say(GLL)
        await until(lambda: GLL in tablet.look())
        tablet.close()

    logging_bench.run(play)
    assert [entry.raw for entry in read(path(logging_bench))] == [numbered(0), GLL]
    assert caplog.text.count("the last write has not ended yet") == 1


def test_a_card_that_never_answers_does_not_hold_up_the_end(
    logging_bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = Event()
    monkeypatch.setattr(voyage, "LAST_WRITE_TIMEOUT_S", 0.05)
    monkeypatch.setattr(VoyageLog, "_append", lambda log, member: answers.wait() and None)
    gnss = logging_bench.link("gnss")

    async def play(feed: Feed) -> None:
        gnss.say(GLL)
        await until(lambda: log_of(feed).sentences == 1)
        log_of(feed).write()
        gnss.say(VTG)
        await until(lambda: log_of(feed).sentences == 2)

    begin = time.monotonic()
    logging_bench.run(play)
    assert time.monotonic() - begin < 2
    answers.set()
