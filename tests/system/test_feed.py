# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat with two receivers, an NMEA 2000 network and a voyage log: what its tablets get.

One boat for all tests, which go on from each other; nothing but the sky tells it the time, and
its clock chip says that it is the year 2000.
"""

from __future__ import annotations

import base64
import json
import re
import shlex
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from provision.bench.bench import Bench
from provision.bench.simulation.instruments import Instruments
from provision.bench.simulation.sentences import TRANSDUCER_DEPTH_M, checksum, sentence
from provision.boards import board
from provision.onboard.feed.nmea0183.transmission_groups import GROUPS, group_of
from provision.onboard.feed.voyage_log import reader
from tests.support.boats import PROCESSORS, Club, Virtual
from tests.system.faults.fault import until
from tests.system.feed_clients import reading

#: The tablet's radio is the simulated one; as somebody else it has another hardware address.
NAMED, STRANGER = "02:00:00:00:01:00", "02:00:00:00:0a:0b"

#: The first of the addresses that are kept for named tablets.
CHART_TABLE = "10.47.9.204"

#: Seconds: of silence before the next source is believed, and of being heard before a lost
#: one is believed again; what a busy bench may be late.
SILENCE_S, STEADY_S, LATE_S = 4, 6, 4

#: A second, of the autopilot's compass.
HEADINGS = 5

FULMAR = f"""
boat: fulmar
includes: [club.yml]
board: x86-64
network:
  address: 10.47.9.1/24
  access_point: {{ssid: Fulmar}}
  tablets: {{chart-table: {{mac: "{NAMED}"}}}}
links:
  gnss:      {{adapter: {{serial: FM-GNSS-01}}, baud: 4800, talks: [RMC, GGA, VTG]}}
  gnss-2:    {{adapter: {{serial: FM-GNSS-02}}, baud: 4800, talks: [RMC, GGA, VTG]}}
  autopilot: {{adapter: {{serial: FM-PLOT-03}}, talks: {{HDG: {HEADINGS}}}, listens: [APB]}}
  backbone:  {{can: can0, talks: {{position: 1, heading: 5, depth: 2, wind: 2, speed: 1}}}}
inputs:
  ais-net:   {{tcp: "{CHART_TABLE}:10111", talks: [VDM]}}
feed:
  multicast: true
  prefer: {{position: [gnss, gnss-2, backbone], silence: {SILENCE_S} s, steady: {STEADY_S} s}}
log: {{keep: 2 days, cap: 10 MB}}
"""

#: Where the tablet reads the feed.
FEED: dict[str, Any] = {"host": "10.47.9.1", "port": 10110}

#: One ship, as a receiver on the network hears it; pyais's own example.
SHIP = sentence("AIVDM", ["1", "1", "", "B", "177KQJ5000G?tO`K>RA1wUbN0TKH", "0"], start="!")

#: Seconds between two writes of the voyage log, instead of 300, and until the kernel has written
#: them: they may wait 30 s, are looked for every 5 s, and committed within 5 s (Linux and ext4
#: as they are set up by default).
INTERVAL, KERNEL = 15, 40

#: A log is played back at twice its pace. At three times the autopilot's headings fill 4800 baud
#: so far that a busy bench loses some.
PACE = "2"


@pytest.fixture(scope="module")
def fulmar(club: Club, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Virtual]:
    """Give the boat, six weeks ahead of this computer."""
    own = club.copy(tmp_path_factory.mktemp("fulmar") / "boats")
    (own.folder / "fulmar.yml").write_text(FULMAR)
    open_boat = own.open_boat("fulmar")
    with Bench(
        open_boat.boat.profile,
        open_boat.secrets,
        board("x86-64"),
        own.card("fulmar"),
        date=datetime.now(UTC) + timedelta(weeks=6),
        clock_chip=datetime(2000, 1, 1, tzinfo=UTC),
        processors=PROCESSORS,
    ) as bench:
        bench.wait_for_ssh()
        yield Virtual(own, bench)


@pytest.fixture(scope="module")
def instruments(fulmar: Virtual) -> Instruments:
    assert fulmar.bench.instruments is not None
    return fulmar.bench.instruments


@pytest.fixture
def logging(fulmar: Virtual) -> Callable[[], None]:
    """Write the log more often from now on. Call it to wait until the card has some of it.

    A power cut takes the change back: it is in RAM.
    """
    config = json.loads(fulmar.ask("cat /etc/boat/feed.json"))
    if config["log"].get("interval") != INTERVAL:
        config["log"]["interval"] = INTERVAL
        text = shlex.quote(json.dumps(config))
        fulmar.ask(f"echo {text} > /etc/boat/feed.json && systemctl restart boat-feed")
    written = INTERVAL + KERNEL + 30
    return lambda: time.sleep(max(0.0, written - fulmar.feed()["running"]))


def listen(boat: Virtual, seconds: float, **more: object) -> dict[str, Any]:
    """Return what the tablet receives over TCP."""
    return boat.bench.tablet.ask("listen", **FEED, seconds=seconds, **more)


def opened(boat: Virtual) -> set[str]:
    """Return the links that the feed has open."""
    return {name for name, link in boat.feed()["links"].items() if link["present"]}


def believed(boat: Virtual) -> str | None:
    """Which source of positions the feed believes."""
    source: str | None = boat.feed()["believed"]["position"]["source"]
    return source


# The clock


def apart(boat: Virtual, instruments: Instruments) -> float:
    """Seconds by which the boat's clock is wrong at least, whenever it looked while we asked."""
    for _ in range(10):
        before = instruments.now.timestamp()
        said = float(boat.ask("date +%s.%N"))
        after = instruments.now.timestamp()
        if after - before < 2:
            return max(before - said, said - after, 0.0)
    raise AssertionError("the bench is too busy for the time to be asked")


def test_the_clock_is_right_a_minute_after_the_first_fix(
    fulmar: Virtual, instruments: Instruments
) -> None:
    """The boat has no network and no clock chip. The feed had no fix before it ran."""
    started = int(fulmar.ask("stat -c %Y /run/boat/settings.json"))
    assert started < (instruments.now - timedelta(weeks=5)).timestamp()
    # On a busy machine the boat lets nobody in before the minute is over: it has to be right then.
    left = max(5, 60 - fulmar.feed()["running"])
    until(lambda: apart(fulmar, instruments) < 1, "the right time", seconds=left)
    for _ in range(5):
        time.sleep(2)
        assert apart(fulmar, instruments) < 1
    sources = [line.split(",") for line in fulmar.ask("chronyc -c sources").splitlines()]
    assert [(source[0], source[2]) for source in sources] == [("#", "GNSS")]


# Which source to believe


def test_a_receiver_pulled_out_in_mid_passage(fulmar: Virtual) -> None:
    """The tablet has positions again within the set time, each once, whoever tells them."""
    bench = fulmar.bench
    fulmar.bench.join(mac=STRANGER)
    until(lambda: believed(fulmar) == "gnss", "the first receiver")
    with ThreadPoolExecutor(1) as pool:
        passage = pool.submit(listen, fulmar, 110)
        time.sleep(6)
        bench.unplug("gnss")
        until(lambda: believed(fulmar) == "gnss-2", "the second receiver", SILENCE_S + 2 * LATE_S)
        time.sleep(4)
        bench.plug("gnss")
        plugged = time.monotonic()
        until(lambda: believed(fulmar) == "gnss", "the first receiver again")
        assert time.monotonic() - plugged >= STEADY_S
        pulling = time.monotonic()
        bench.unplug("gnss")
        bench.unplug("gnss-2")
        pulling = time.monotonic() - pulling
        until(lambda: believed(fulmar) == "backbone", "the network", SILENCE_S + 2 * LATE_S)
        time.sleep(4)
        bench.plug("gnss-2")
        bench.plug("gnss")
        until(lambda: believed(fulmar) == "gnss", "the first receiver at last")
        assert not passage.done(), "the tablet listened too shortly"
        heard = passage.result()
    lines = heard["lines"]
    for formatter in ("RMC", "GGA"):
        times = [line.split(",")[1] for line in lines if line.startswith(f"$GP{formatter}")]
        assert len(times) == len(set(times)), f"{formatter} of the same moment twice"
        assert times == sorted(times)
        assert len(times) > 50
    # Told by the headings in between: a busy bench delays those as well.
    gaps, since = [], 0
    for line in lines:
        if line.startswith(("$GPRMC", "$IIGLL")):
            gaps.append((since / HEADINGS, line))
            since = 0
        since += line.startswith("$HCHDG")
    said = fulmar.ask("journalctl --unit boat-feed --output short-monotonic")
    longest, then = max(gaps)
    # Both receivers are silent only when the second has gone, too.
    assert longest <= pulling + SILENCE_S + 2, (
        f"{longest} s without a position, then {then}\n{said}"
    )
    assert any(line.startswith("$IIGLL") for line in lines)
    # What tablets believe; a pilot that may not hear the network has a choice of its own.
    changes = " ".join(re.findall(r"\]: position: (\S+) is believed now", said))
    assert re.search("gnss gnss-2 gnss backbone (gnss-2 )?gnss$", changes), changes


# A source on the network


def test_an_instrument_on_the_network_reaches_everybody(fulmar: Virtual) -> None:
    """The tablet plays it, and whoever reads the feed gets the ship."""
    fulmar.bench.join()
    line = SHIP.decode().rstrip()
    with reading(fulmar) as received:
        sent = fulmar.bench.tablet.ask("serve", port=10111, lines=[line], seconds=30)["sent"]
        until(lambda: SHIP in [one for _, one in received], "the ship")
    assert 1 <= [one for _, one in received].count(SHIP) <= sent
    assert fulmar.feed()["inputs"]["ais-net"]["sentences"] >= 1


# NMEA 2000


@pytest.mark.usefixtures("logging")
def test_an_nmea_2000_network_arrives_as_sentences(
    fulmar: Virtual, instruments: Instruments
) -> None:
    """Over a controller's own driver, at the network's bit rate (ISO 11783-2 / NMEA 2000)."""
    said = fulmar.ask("ip -json -details link show can0")
    (interface,) = json.loads(said)
    fulmar.settle()
    assert "UP" in interface["flags"]
    assert interface["linkinfo"]["info_data"]["bittiming"]["bitrate"] == 250_000
    fulmar.bench.join(mac=STRANGER)
    lines = [line.split(",") for line in listen(fulmar, 8)["lines"] if line.startswith("$II")]
    heard = {fields[0][3:]: fields for fields in lines}
    assert heard.keys() == {"HDG", "ROT", "DPT", "MWV", "VHW"}, "position has a better source"
    made = {"HDG", "ROT", "DPT", "MWV", "VHW", "GLL", "GGA", "VTG"}
    assert fulmar.feed()["links"]["backbone"]["rates"].keys() == made
    state = instruments.simulation.at(instruments.now)
    assert float(heard["DPT"][1]) == pytest.approx(state.depth - TRANSDUCER_DEPTH_M, abs=1)
    assert float(heard["VHW"][5]) == pytest.approx(state.water_speed, abs=0.5)
    off = (float(heard["HDG"][1]) - state.magnetic_heading + 180) % 360 - 180
    assert abs(off) < 10


def test_the_suite_proves_it_too(fulmar: Virtual) -> None:
    fulmar.settle()
    result = fulmar.verify(subjects=["devices", "feed"])
    assert result.passed, result.summary()
    assert {test.test for test in result.tests if "[backbone]" in test.test} == {
        "can interface [backbone]", "can link is heard [backbone]",
    }  # fmt: skip
    # What the second receiver says is held back as long as the first is believed.
    skipped = [test.test for test in result.tests if test.ending == "skipped"]
    assert skipped == ["feed carries every sentence [gnss-2]"]


@pytest.mark.parametrize(
    ("change", "failing"),
    [
        ("down", {"can interface [backbone]", "can link is heard [backbone]"}),
        ("type can bitrate 125000 && ip link set can0 up", {"can interface [backbone]"}),
    ],
)
def test_the_suite_sees_a_network_that_is_not_as_it_should_be(
    fulmar: Virtual, change: str, failing: set[str]
) -> None:
    fulmar.ask(f"ip link set can0 down && ip link set can0 {change}")
    until(lambda: fulmar.feed()["links"]["backbone"]["present"] == ("up" in change), "the link")
    try:
        result = fulmar.verify(subjects=["devices", "feed"])
    finally:
        right = "ip link set can0 type can bitrate 250000 && ip link set can0 up"
        fulmar.ask(f"ip link set can0 down; {right}")
    assert {test.test for test in result.failed} == failing, result.summary()


# Multicast


@pytest.mark.parametrize("name", ["NAVD", "SATD"])
def test_multicast_reaches_the_tablets(fulmar: Virtual, name: str) -> None:
    """Each datagram has its header, each sentence its TAG block and its own group's address."""
    group, port = GROUPS[name]
    boxes = fulmar.bench.tablet.ask("datagrams", port=port, group=group, seconds=6)["datagrams"]
    assert {box["from"] for box in boxes} == {"10.47.9.1"}
    assert len(boxes) >= 3
    counts = []
    for box in boxes:
        header, _, text = box["data"].partition("\0")
        assert header == "UdPbC"
        for line in text.split("\r\n")[:-1]:
            found = re.fullmatch(r"\\(s:II0001,n:(\d+))\*(..)\\[$](..(...).*)\*(..)", line)
            assert found, line
            block, count, block_sum, body, formatter, body_sum = found.groups()
            assert (block_sum, body_sum) == (checksum(block), checksum(body))
            assert group_of(body[:2], formatter) == name
            counts.append(int(count))
    assert len(counts) == len(set(counts))


# The voyage log, and a power cut


@contextmanager
def silent(instruments: Instruments) -> Iterator[None]:
    """Silence the instruments for a while, and leave their sockets to others."""
    instruments.stop()
    try:
        yield
    finally:
        instruments.start()


def fetch(boat: Virtual, name: str, folder: Path) -> Path:
    """Return a file of the voyage log, copied from the boat."""
    file = folder / name
    file.write_bytes(base64.b64decode(boat.ask(f"base64 /data/log/{name}")))
    return file


def played_back(boat: Virtual, file: Path) -> tuple[list[str], dict[str, Any]]:
    """Play a file of the log. Return what the tablet receives, and what the command says."""
    where = file.with_name("where.json")
    where.write_text(json.dumps(boat.bench.where()))
    boat.bench.join()
    # A port that has been silent for long is opened again now and then.
    boat.ask("systemctl restart boat-feed")
    until(lambda: opened(boat) >= {"gnss", "gnss-2", "autopilot"}, "the adapters")
    words = ["replay", file, "--bench", where, "--json", "--pace", PACE]
    command = [sys.executable, "-m", "provision", *words]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as player:
        received = listen(boat, 20)["lines"]
        return received, json.loads(player.communicate(timeout=120)[0])


def test_a_power_cut_costs_the_log_little_and_sets_no_clock_back(
    fulmar: Virtual, instruments: Instruments, logging: Callable[[], None], tmp_path: Path
) -> None:
    """The log is played back to the boat, and the tablet receives all of it again."""
    logging()
    uptime, clock = map(float, fulmar.ask("cut -d' ' -f1 /proc/uptime; date +%s.%N").split())
    with silent(instruments):
        fulmar.hang_up()
        fulmar.power_cycle()
        assert int(fulmar.ask("stat -c %Y /run/boat/settings.json")) >= clock
        files = [fetch(fulmar, name, tmp_path) for name in fulmar.ask("ls /data/log").split()]
        logged = [list(reader.read(str(file))) for file in files]
        assert {entry.origin for file in logged for entry in file} >= {"ais-net", "backbone"}
        last = logged[-1]
        assert {entry.origin for entry in last} == {"gnss", "gnss-2", "autopilot", "backbone"}
        lost = uptime - last[-1].monotonic
        assert 0 < lost <= INTERVAL + KERNEL, f"{lost:.0f} s are lost"

        received, told = played_back(fulmar, files[-1])
        assert told["lost"] == {} and told["left_out"] == {"backbone": told["left_out"]["backbone"]}
        fixes = [one.raw.decode().rstrip() for one in last if one.origin == "gnss"]
        fixes = [line for line in fixes if line.startswith("$GPRMC")]
        again = [line for line in received if line.startswith("$GPRMC")]
        # The second receiver may have been the first to speak.
        again = again[again[0] not in fixes :]
        assert len(again) > 10
        first = fixes.index(again[0])
        assert again == fixes[first : first + len(again)]
