# SPDX-License-Identifier: GPL-3.0-or-later
import asyncio
import os
import termios
from pathlib import Path

import pytest

from provision.onboard.feed.config.types import BAUD_RATES
from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.net.serial_port import close_port, open_port
from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.feed.sources import serial_link as links
from provision.onboard.feed.sources.statistics import STORED_S
from tests.support.feed.rig import (
    GGA,
    GLL,
    VTG,
    Bench,
    Instrument,
    Tablet,
    numbered,
    port_of,
    until,
)


@pytest.mark.parametrize("baud", [1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200])
def test_port_is_raw_at_its_baud_rate_and_ours_alone(tmp_path: Path, baud: int) -> None:
    assert baud in BAUD_RATES
    instrument = Instrument(tmp_path / "gnss")
    port = open_port(str(instrument.device), baud)
    try:
        in_mode, out_mode, control, local, speed, _, _ = termios.tcgetattr(port)
        assert (in_mode, out_mode, local) == (0, 0, 0)
        assert speed == getattr(termios, f"B{baud}")
        assert control & termios.CSIZE == termios.CS8
        assert not control & (termios.PARENB | termios.CSTOPB | termios.CRTSCTS)
        with pytest.raises(OSError, match=r"busy|unavailable"):
            open_port(str(instrument.device), baud)
    finally:
        close_port(port)
        close_port(open_port(str(instrument.device), 4800))
        instrument.unplug()


def test_what_is_no_serial_port_is_refused_and_let_go(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.touch()
    before = os.listdir("/proc/self/fd")
    with pytest.raises(OSError, match="ioctl"):
        open_port(str(plain), 4800)
    assert os.listdir("/proc/self/fd") == before


def test_every_valid_sentence_of_every_link_reaches_every_tablet(bench: Bench) -> None:
    gnss = bench.link("gnss")
    depth = bench.link("depth-log")

    async def play(feed: Feed) -> None:
        tablets = [Tablet(port_of(feed)) for _ in range(3)]
        await until(lambda: len(feed.server._clients) == 3)  # type: ignore[union-attr]
        gnss.say(b"51.2,N\r\n" + GLL + b"\xff\xfe" + VTG[:-4] + b"00\r\n" + GGA)
        await until(lambda: all(GGA in tablet.look() for tablet in tablets))
        depth.say(numbered(1) + numbered(2))
        await until(lambda: all(numbered(2) in tablet.look() for tablet in tablets))
        for tablet in tablets:
            assert tablet.seen == GLL + GGA + numbered(1) + numbered(2)
            tablet.close()
        state = feed.state()["links"]
        assert state["gnss"]["sentences"] == 2
        assert state["gnss"]["errors"]["noise"] == 1
        assert state["gnss"]["errors"]["checksum"] == 1
        assert state["depth-log"]["sentences"] == 2
        assert state["gnss"]["present"]

    bench.run(play)


def test_starts_without_its_adapter_and_takes_it_when_it_comes(bench: Bench) -> None:
    gnss = bench.link("gnss")
    gnss.unplug()

    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed))
        await asyncio.sleep(0.1)
        assert not feed.state()["links"]["gnss"]["present"]
        gnss.plug()
        await until(lambda: feed.links[0].port is not None)
        gnss.say(GLL)
        await until(lambda: tablet.look() == GLL)
        tablet.close()

    bench.run(play)


def test_pulled_out_and_put_back_comes_back_by_itself(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    gnss = bench.link("gnss")

    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed))
        for number in range(3):
            await until(lambda: feed.links[0].port is not None)
            before = len(os.listdir("/proc/self/fd"))
            gnss.say(numbered(number) + b"$SDDPT,hal")
            await until(lambda n=number: numbered(n) in tablet.look())
            gnss.unplug()
            await until(lambda: feed.links[0].port is None)
            assert len(os.listdir("/proc/self/fd")) < before
            gnss.plug()
        await until(lambda: feed.links[0].port is not None)
        gnss.say(GLL)
        await until(lambda: GLL in tablet.look())
        assert feed.state()["links"]["gnss"]["errors"]["checksum"] == 0
        assert feed.state()["links"]["gnss"]["opened"] == 4
        tablet.close()

    bench.run(play)
    assert "gnss: open again" in caplog.text


def test_an_adapter_back_under_another_number_is_noticed_by_its_silence(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(links, "CHECK_SILENCE_S", 0.0)
    gnss = bench.link("gnss")
    other = Instrument(gnss.device.with_name("other"))

    async def play(feed: Feed) -> None:
        # The old node stays open and says nothing, as a driver may have it.
        gnss.device.unlink()
        gnss.device.symlink_to(os.readlink(other.device))
        feed.links[0].watch(asyncio.get_running_loop().time())
        assert feed.links[0].port is None
        await until(lambda: feed.links[0].port is not None)
        other.say(GLL)
        await until(lambda: feed.state()["links"]["gnss"]["sentences"] == 1)

    bench.run(play)
    other.unplug()


def test_a_silent_talker_is_opened_anew_less_and_less_often(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(links, "CHECK_SILENCE_S", 0.0)
    monkeypatch.setattr(links, "REOPEN_SILENCE_S", 0.05)
    monkeypatch.setattr(links, "RETRY_S", (0.01, 0.02))
    gnss = bench.link("gnss", talks={"RMC": 1})
    display = bench.link("display", listens={"DPT": 1})

    async def play(feed: Feed) -> None:
        for link in feed.links:
            link._patience = 0.05
        for _ in range(40):
            await asyncio.sleep(0.01)
            for link in feed.links:
                link.watch(asyncio.get_running_loop().time())
        assert 3 <= feed.links[0].as_json()["opened"] <= 5
        assert feed.links[1].as_json()["opened"] == 1
        gnss.say(GLL)
        await until(lambda: feed.state()["links"]["gnss"]["sentences"] == 1)

    bench.run(play)
    assert caplog.text.count("silent for") == 1
    assert display.heard() == b""


def test_a_port_that_opens_and_fails_at_once_is_named_once_and_tried_less_often(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(links, "RETRY_S", (0.01, 0.08))
    bench.link("gnss")

    def broken(device: str, baud: int) -> int:
        ours, theirs = os.pipe()
        os.close(theirs)
        os.set_blocking(ours, False)
        return ours

    async def play(feed: Feed) -> None:
        feed.links[0].lost("pulled out")
        monkeypatch.setattr(links, "open_port", broken)
        before = len(os.listdir("/proc/self/fd"))
        await asyncio.sleep(0.5)
        assert 3 <= feed.links[0].as_json()["opened"] <= 11
        # One of them may just be open.
        assert len(os.listdir("/proc/self/fd")) <= before + 1

    caplog.set_level("INFO")
    bench.run(play)
    assert caplog.text.count("opening it again") == 1
    assert "open again" not in caplog.text


def test_a_display_that_says_nothing_is_well_when_its_port_stays_open(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    display = bench.link("display", listens={"DPT": 1})

    async def play(feed: Feed) -> None:
        (link,) = feed.links
        link.lost("pulled out")
        await until(lambda: link.port is not None)
        now = asyncio.get_running_loop().time()
        link.watch(now + links.WORKING_S - 0.5)
        assert "open again" not in caplog.text
        link.watch(now + links.WORKING_S + 0.1)
        assert "display: open again" in caplog.text

    bench.run(play)
    assert display.heard() == b""


def test_faults_are_named_once(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    gnss = bench.link("gnss")

    async def play(feed: Feed) -> None:
        for _ in range(50):
            gnss.say(b"noise\r\n" + GLL.replace(b"*27", b"*28"))
            await asyncio.sleep(0.001)
        await until(lambda: feed.state()["links"]["gnss"]["errors"]["checksum"] == 50)

    bench.run(play)
    assert caplog.text.count("wrong checksum") == 1
    assert caplog.text.count("belong to no sentence") == 1


def test_rates_and_load(bench: Bench) -> None:
    gnss = bench.link("gnss", baud=4800)

    async def play(feed: Feed) -> None:
        # What comes in the first second may have been stored up.
        await asyncio.sleep(STORED_S)
        for _ in range(10):
            gnss.say(GLL)
            await asyncio.sleep(0.01)
        gnss.say(VTG)
        await until(lambda: feed.state()["links"]["gnss"]["sentences"] == 11)
        told = feed.state()["links"]["gnss"]
        # Over less than a second rates are not taken.
        assert told["rates"] == {"GLL": 10.0, "VTG": 1.0}
        # IEC 61162-1: 480 characters a second at 4800 baud.
        assert told["load"] == round(100 * (10 * len(GLL) + len(VTG)) / 480, 1)
        assert 0 < told["rates_over"] < 1
        assert told["last_heard"] < 1

    bench.run(play)


def test_filter_on_a_link_says_what_is_taken(bench: Bench) -> None:
    gnss = bench.link("gnss", but=[{"formatter": "VTG"}])

    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed))
        await until(lambda: feed.server._clients)  # type: ignore[union-attr]
        gnss.say(GLL + VTG + GGA)
        await until(lambda: GGA in tablet.look())
        assert tablet.seen == GLL + GGA
        tablet.close()

    bench.run(play)


def test_what_a_link_may_say_beyond_the_standard(bench: Bench) -> None:
    old = bench.link("old", unchecked=True)
    modern = bench.link("modern", long=True)
    strict = bench.link("strict")
    longer = frame("$GPTXT," + "x" * 90)

    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed))
        await until(lambda: feed.server._clients)  # type: ignore[union-attr]
        for count, instrument in enumerate((old, modern, strict), start=1):
            instrument.say(GLL[:-5] + b"\r\n" + longer + GGA)
            await until(lambda n=count: tablet.look().count(GGA) == n)
        assert tablet.seen == GLL + GGA + longer + GGA + GGA
        links = feed.state()["links"]
        assert [links[name]["errors"]["length"] for name in ("old", "modern", "strict")] == [
            1,
            0,
            1,
        ]
        tablet.close()

    bench.run(play)


def test_a_wrong_baud_rate_is_named_once(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    gnss = bench.link("gnss")
    # What 38400 baud reads of 4800: mostly zeros and high bits.
    rattle = bytes([0x00, 0x80, 0xF8, 0xFE, 0x78, 0xE0]) * 200

    async def play(feed: Feed) -> None:
        for _ in range(5):
            gnss.say(rattle)
            await asyncio.sleep(0.01)
        await until(lambda: feed.state()["links"]["gnss"]["errors"]["baud"] >= 2)

    bench.run(play)
    assert caplog.text.count("another baud rate") == 1
