# SPDX-License-Identifier: GPL-3.0-or-later
"""The instruments on real sockets, as the bench's emulator serves them."""

from __future__ import annotations

import itertools
import socket
import time
from datetime import UTC, datetime

import pynmea2
import pytest

from provision.bench.hull.derive import derive
from provision.bench.simulation.instruments import Instruments
from provision.errors import UserError
from provision.profile.schema.boat import Profile
from tests.support import render_rig

#: A tenth before a whole second, when instruments begin to talk.
DATE = datetime(2031, 3, 4, 5, 6, 6, 900_000, tzinfo=UTC)


def link(serial, **keys):
    return {"adapter": {"serial": serial}, **keys}


@pytest.fixture
def profile():
    return render_rig.profile(
        links={
            "gnss": link("KW-1", baud=38400, talks={"RMC": 10.0, "ZDA": 10.0}),
            "ais": link("KW-2", baud=38400, talks={"VDM": 10.0, "VDO": 10.0}),
            "autopilot": link("KW-3", baud=4800, listens=["APB"]),
        }
    )


class Socket:
    """Stands for the emulator's end of a link."""

    def __init__(self, path):
        self.path = path
        self.listening = socket.socket(socket.AF_UNIX)
        self.listening.bind(str(path))
        self.listening.listen(1)
        self.listening.settimeout(5)

    def accept(self):
        connection, _ = self.listening.accept()
        connection.settimeout(5)
        return connection

    def close(self):
        self.listening.close()
        self.path.unlink()


@pytest.fixture
def serve(tmp_path):
    served = []

    def one(name):
        served.append(Socket(tmp_path / name))
        return served[-1]

    yield one
    for each in served:
        each.listening.close()


def read_lines(connection, count):
    heard = b""
    while heard.count(b"\r\n") < count:
        piece = connection.recv(4096)
        assert piece, "the instrument hung up"
        heard += piece
    return heard.split(b"\r\n")[:count]


def test_links_talk_and_agree(profile, serve, tmp_path):
    ends = {name: serve(name) for name in ("gnss", "ais")}
    with Instruments(
        derive(profile), {name: tmp_path / name for name in ends}, date=DATE
    ) as instruments:
        gnss, ais = ends["gnss"].accept(), ends["ais"].accept()
        lines = read_lines(gnss, 4)
        rmc, zda = (pynmea2.parse(line.decode(), check=True) for line in lines[:2])
        assert {line.split(b",")[0] for line in read_lines(ais, 8)} == {b"!AIVDM", b"!AIVDO"}
        assert rmc.datetime == datetime(2031, 3, 4, 5, 6, 7, tzinfo=UTC)
        assert zda.timestamp == rmc.timestamp
        state = instruments.simulation.at(rmc.datetime)
        assert rmc.latitude == pytest.approx(state.fix.latitude, abs=1e-6)
        assert instruments.sent("gnss").total() >= 4


def test_the_date_is_today_unless_set(profile, serve, tmp_path):
    end = serve("gnss")
    with Instruments(derive(profile), {"gnss": tmp_path / "gnss"}):
        message = pynmea2.parse(read_lines(end.accept(), 1)[0].decode(), check=True)
    assert abs((message.datetime - datetime.now(UTC)).total_seconds()) < 5


def test_a_socket_that_comes_late_and_goes_away_is_found_again(profile, serve, tmp_path):
    with Instruments(derive(profile), {"gnss": tmp_path / "gnss"}, date=DATE):
        time.sleep(0.1)
        end = serve("gnss")
        connection = end.accept()
        read_lines(connection, 1)
        connection.close()
        end.close()
        time.sleep(0.1)
        assert read_lines(serve("gnss").accept(), 2)[1].startswith(b"$GP")


def test_what_the_boat_sends_is_heard_at_the_wires_pace(profile, serve, tmp_path):
    end = serve("autopilot")
    line = b"$GPAPB,A,A,0.10,R,N,V,V,011,M,DEST,011,M,011,M*3C"
    with Instruments(derive(profile), {"autopilot": tmp_path / "autopilot"}) as instruments:
        connection = end.accept()
        start = time.monotonic()
        for piece in ((line + b"\r\n") * 3, line[:20], line[20:], b"\r\n$GPAPB,half"):
            connection.sendall(piece)
        heard = instruments.wait("autopilot", lambda heard: len(heard) == 4, timeout=5)
    assert [one.line for one in heard] == [line] * 4
    assert heard[-1].time - start >= 4 * (len(line) + 2) / 480


def test_waiting_ends(profile, serve, tmp_path):
    serve("autopilot")
    with (
        Instruments(derive(profile), {"autopilot": tmp_path / "autopilot"}) as instruments,
        pytest.raises(TimeoutError, match="autopilot did not hear"),
    ):
        instruments.wait("autopilot", bool, timeout=0.05)


def test_any_program_may_send_other_bytes(profile, serve, tmp_path):
    end = serve("autopilot")
    with Instruments(derive(profile), {"autopilot": tmp_path / "autopilot"}) as instruments:
        connection = end.accept()
        instruments.say("autopilot", b"\xff\xfe$GPRMC,*00\r\n")
        assert read_lines(connection, 1) == [b"\xff\xfe$GPRMC,*00"]


def test_a_boat_that_does_not_read_gets_no_burst_afterwards(profile, serve, tmp_path):
    """A second nobody reads: the wire holds little of it, and no line is cut."""
    end = serve("gnss")
    with Instruments(derive(profile), {"gnss": tmp_path / "gnss"}, date=DATE) as instruments:
        connection = end.accept()
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1)
        time.sleep(1.5)
        connection.setblocking(False)
        held = connection.recv(65536)
        connection.settimeout(5)
        assert len(held) < 700  # of some 1,500
        heard = held
        while heard.count(b"\r\n") < 25:
            heard += connection.recv(4096)
        for line in heard.split(b"\r\n")[:-1]:
            pynmea2.parse(line.decode(), check=True)
        assert instruments.lost("gnss").total() > 5


def test_stopping_closes_the_sockets(profile, serve, tmp_path):
    end = serve("gnss")
    instruments = Instruments(derive(profile), {"gnss": tmp_path / "gnss"}, date=DATE)
    instruments.start()
    connection = end.accept()
    read_lines(connection, 1)
    instruments.stop()
    instruments.stop()
    while connection.recv(4096):
        pass


def test_a_link_that_the_boat_has_not(profile, tmp_path):
    with pytest.raises(UserError, match="kittiwake has no link wind") as caught:
        Instruments(derive(profile), {"wind": tmp_path / "wind"})
    assert "gnss, ais, autopilot" in caught.value.hint


def test_a_flood_never_makes_the_emulator_wait(profile, serve, tmp_path):
    """Ten minutes' worth for the wire is taken at once, and heard as slowly as it passes."""
    end = serve("autopilot")
    with Instruments(derive(profile), {"autopilot": tmp_path / "autopilot"}) as instruments:
        connection = end.accept()
        connection.settimeout(2)
        connection.sendall(b"$GPXTE,A,A,0.10,R,N*00\r\n" * 12_000)
        heard = instruments.wait("autopilot", lambda heard: len(heard) >= 5, timeout=5)
    gaps = [later.time - one.time for one, later in itertools.pairwise(heard[:5])]
    assert gaps == [pytest.approx(24 / 480)] * 4


def test_the_boats_time_goes_on_while_they_are_silent(profile, serve, tmp_path):
    """Started again, they are where the boat is by then."""
    serve("gnss")
    instruments = Instruments(derive(profile), {"gnss": tmp_path / "gnss"}, date=DATE)
    with instruments:
        before = instruments.now
    time.sleep(0.1)
    with instruments:
        assert 0.1 <= (instruments.now - before).total_seconds() < 60


def test_two_receivers_have_their_own_antennas(profile, serve, tmp_path):
    """Their fixes are never the same to the last digit, as no two real ones are."""
    spare = {"gnss-2": link("KW-4", baud=38400, talks={"RMC": 10.0})}
    plain = profile.model_dump(mode="json", exclude_defaults=True)
    both = Profile.model_validate({**plain, "links": plain["links"] | spare})
    ends = {name: serve(name) for name in ("gnss", "gnss-2")}
    with Instruments(derive(both), {name: tmp_path / name for name in ends}, date=DATE):
        first, second = (
            pynmea2.parse(read_lines(end.accept(), 1)[0].decode(), check=True)
            for end in ends.values()
        )
    assert first.datetime == second.datetime
    apart = (first.latitude - second.latitude, first.longitude - second.longitude)
    assert 1 < 60 * 1852 * (apart[0] ** 2 + (apart[1] * 0.642) ** 2) ** 0.5 < 8
