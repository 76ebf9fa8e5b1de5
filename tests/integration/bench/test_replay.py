# SPDX-License-Identifier: GPL-3.0-or-later
"""A voyage log played back: on the sockets of a held bench, and to a feed on this computer."""

from __future__ import annotations

import asyncio
import gzip
import json
import os
import socket
import subprocess
import sys
import time
from concurrent.futures import Future
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from threading import Thread

import pytest
from typer.testing import CliRunner

from provision.bench.hold.client import find_held
from provision.bench.replay.replay import iterate_due, parse_start, read_recording
from provision.bench.replay.replay_wires import ReplayWire, is_open, open_terminals
from provision.cli.common import app
from provision.errors import UserError
from provision.onboard.feed.net.serial_port import close_port, open_port
from provision.onboard.feed.nmea0183 import tag_block
from provision.onboard.feed.nmea0183.sentence import frame

#: Two o'clock; the boat's monotonic clock shows a minute.
BEGIN = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)
MONOTONIC = 60.0

STATIC = frame("!AIVDM,2,1,3,B,55P5TL01VIaAL@7WKO@mBplU@<PDhh000000001S;AJ::4A80?4i@E53,0")
STATIC += frame("!AIVDM,2,2,3,B,1@0000000000000,2")


def numbered(number: int, formatter: str = "DPT") -> bytes:
    return frame(f"$SD{formatter},{number},0.5")


def logged(seconds: float, origin: str, raw: bytes, *, ahead: float = 0.0) -> bytes:
    """Return a line of the log; `ahead` says how wrong the system clock was, in seconds."""
    wall = BEGIN.timestamp() + seconds + ahead
    stamps = ("c", str(round(1000 * wall))), ("r", str(round(1000 * (MONOTONIC + seconds))))
    return tag_block.build(*stamps, ("s", origin)) + raw


@pytest.fixture
def log(tmp_path):
    """Makes a file of a voyage log from lines."""

    def make(*lines, name="2026-11-25-001.gz"):
        file = tmp_path / name
        file.write_bytes(gzip.compress(b"".join(lines)))
        return file

    return make


@pytest.fixture
def passage(log):
    """Give two seconds, in which one link says something every fifth of one, and another less."""
    return log(
        *(
            line
            for n in range(10)
            for line in (
                logged(n / 5, "depth", numbered(n)),
                *([logged(n / 5, "ais", STATIC)] if n % 5 == 0 else []),
            )
        )
    )


def replay(*arguments):
    """Call the command in this process: starting another one takes longer than all else."""
    return CliRunner().invoke(app, ["replay", "--json", *map(str, arguments)])


@contextmanager
def playing(*arguments):
    """Give the command in a thread of its own; `result` waits for how it ended."""
    ended = Future()
    # A daemon: when a test fails, nobody may ever open the terminals that it waits for.
    Thread(target=lambda: ended.set_result(replay(*arguments)), daemon=True).start()
    yield ended


@contextmanager
def served(folder, *links):
    """Sockets as a held bench serves them, and the file that says where they are."""
    ends = {}
    for link in links:
        ends[link] = socket.socket(socket.AF_UNIX)
        ends[link].bind(str(folder / f"link-{link}"))
        ends[link].listen()
        ends[link].settimeout(10)
    where = folder / "where.json"
    where.write_text(json.dumps({"links": {link: str(folder / f"link-{link}") for link in links}}))
    yield where, ends
    for end in ends.values():
        end.close()


def read_all(listening):
    connection, _ = listening.accept()
    connection.settimeout(10)
    with connection, connection.makefile("rb") as stream:
        return stream.read()


# When what is played


def test_times_are_those_of_the_monotonic_clock(log):
    """The fix comes after two seconds and steps the system clock by an hour and a half."""
    file = log(
        logged(0, "gnss", numbered(0), ahead=-5400),
        logged(1.5, "gnss", numbered(1), ahead=-5400),
        logged(4, "gnss", numbered(2)),
    )
    found = list(iterate_due([read_recording(file)]))
    assert [due.at for due in found] == [0, 1.5, 4]
    assert [due.moment - BEGIN for due in found] == [timedelta(seconds=n) for n in (0, 1.5, 4)]


def test_silence_between_files_is_cut_short_and_within_one_is_not(log):
    first = log(logged(0, "gnss", numbered(0)), logged(100, "gnss", numbered(1)))
    hours = log(logged(7200, "gnss", numbered(2)), logged(7201, "gnss", numbered(3)), name="b.gz")
    # A third file whose clock was never set.
    lost = log(logged(7202, "gnss", numbered(4), ahead=-1e6), logged(7203, "gnss", numbered(5),
               ahead=-1e6), name="c.gz")  # fmt: skip
    found = list(iterate_due([read_recording(file) for file in (first, hours, lost)]))
    assert [round(due.at, 3) for due in found] == [0, 100, 105, 106, 106, 107]


@pytest.mark.parametrize(
    ("text", "first"),
    [
        ("14:00:01", 5),
        ("13:00", 0),
        ("2026-11-25T14:00:01", 5),
        ("2026-11-25 15:00:00.900+01:00", 5),
        ("2026-11-25T14:00:01.8Z", 9),
    ],
)
def test_where_it_begins(passage, text, first):
    recordings = [read_recording(passage)]
    found = next(iterate_due(recordings, parse_start(text, recordings)))
    assert (found.at, found.raw) == (0, numbered(first))


def test_an_invalid_start_is_refused(passage):
    recordings = [read_recording(passage)]
    with pytest.raises(UserError, match="noon is no time"):
        parse_start("noon", recordings)
    with pytest.raises(UserError, match="behind the last sentence") as caught:
        parse_start("14:01", recordings)
    assert "2026-11-25T14:00:00 to 2026-11-25T14:00:01 UTC" in caught.value.hint


def test_what_a_power_cut_tore_is_played_as_far_as_it_goes(passage):
    data = passage.read_bytes()
    passage.write_bytes(data + data[: len(data) // 2])
    assert read_recording(passage).origins["depth"] >= 10


# On a held bench


def test_each_link_says_what_it_said_then(passage, tmp_path):
    with served(tmp_path, "depth", "ais") as (where, ends):
        done = replay(passage, "--bench", where, "--pace", 20)
        assert read_all(ends["depth"]) == b"".join(numbered(n) for n in range(10))
        assert read_all(ends["ais"]) == STATIC * 2
    assert json.loads(done.stdout) == {"sent": {"depth": 10, "ais": 2}, "lost": {}, "left_out": {}}


@pytest.mark.parametrize(("pace", "least", "most"), [(1, 1.7, 5), (10, 0.17, 1.5)])
def test_it_keeps_its_pace(passage, tmp_path, pace, least, most):
    with (
        served(tmp_path, "depth") as (where, ends),
        playing(passage, "--bench", where, "--pace", pace) as played,
    ):
        connection, _ = ends["depth"].accept()
        with connection, connection.makefile("rb") as stream:
            assert stream.readline() == numbered(0)
            begin = time.monotonic()
            last = [stream.readline() for _ in range(9)][-1]
            took = time.monotonic() - begin
            stream.read()
        assert played.result(20).exit_code == 0
    assert last == numbered(9)
    assert least < took < most


def test_what_the_boat_sends_fills_no_socket(passage, tmp_path):
    """The emulator would stop, and the whole boat with it."""
    with served(tmp_path, "depth") as (where, ends), playing(passage, "--bench", where) as played:
        connection, _ = ends["depth"].accept()
        connection.settimeout(10)
        with connection:
            connection.sendall(b"x" * 2_000_000)
            assert len(connection.makefile("rb").read()) == 10 * len(numbered(0))
        assert played.result(20).exit_code == 0


def test_links_that_the_bench_has_not_are_left_out(passage, tmp_path):
    with served(tmp_path, "ais") as (where, _):
        done = replay(passage, "--bench", where, "--pace", 100)
    assert json.loads(done.stdout)["left_out"] == {"depth": 10}


def test_a_bench_that_takes_nothing_loses_whole_sentences(log, tmp_path):
    file = log(*(logged(n / 100, "depth", numbered(n)) for n in range(3000)))
    with served(tmp_path, "depth") as (where, ends):
        done = replay(file, "--bench", where, "--pace", 1000)
        lines = read_all(ends["depth"]).splitlines(keepends=True)
    told = json.loads(done.stdout)
    assert told["sent"]["depth"] + told["lost"]["depth"] == 3000
    assert told["lost"]["depth"] > 1000
    # The last one may be cut by the end of the replay.
    assert lines[:-1] == [numbered(n) for n in range(len(lines) - 1)]


def test_the_only_bench_that_is_held_is_found(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    with pytest.raises(UserError, match="no bench is held"):
        find_held()
    controls = []
    for name in ("bench-a", "bench-b", "bench-c"):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "where.json").write_text(json.dumps({"boat": name, "links": {}}))
        control = socket.socket(socket.AF_UNIX)
        control.bind(str(folder / "control"))
        control.listen()
        controls.append(control)
    controls[1].close()  # killed: its folder is left behind
    with pytest.raises(UserError, match="more than one bench is held") as caught:
        find_held()
    assert "bench-a" in caught.value.hint and "bench-b" not in caught.value.hint
    controls[2].close()
    assert find_held()["boat"] == "bench-a"
    controls[0].close()


def test_no_bench_of_another_user_is_played_into(tmp_path, monkeypatch):
    """A folder that others can write into, or a link to another user's, is refused, too."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    folder = tmp_path / "bench-a"
    folder.mkdir()
    (folder / "where.json").write_text(json.dumps({"boat": "a", "links": {}}))
    with socket.socket(socket.AF_UNIX) as control:
        control.bind(str(folder / "control"))
        control.listen()
        assert find_held()["boat"] == "a"
        folder.chmod(0o777)
        with pytest.raises(UserError, match="no bench is held"):
            find_held()
        folder.chmod(0o700)
        other = tmp_path / "other"
        folder.rename(other)
        folder.symlink_to(other)
        with pytest.raises(UserError, match="no bench is held"):
            find_held()
        folder.unlink()
        other.rename(folder)
        monkeypatch.setattr("os.geteuid", lambda: os.getuid() + 1)
        with pytest.raises(UserError, match="no bench is held"):
            find_held()


def test_terminals_do_not_replace_the_users_own_files(tmp_path):
    own = tmp_path / "gnss"
    own.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(UserError, match="it stays as it is"), open_terminals(tmp_path, ["gnss"]):
        pass
    assert own.readlink() == tmp_path / "elsewhere"


# To a feed on this computer


def connected(port):
    """Return a connection, as soon as somebody listens there."""
    while True:
        try:
            return socket.create_connection(("127.0.0.1", port))
        except ConnectionRefusedError:
            time.sleep(0.01)


def free_port():
    with socket.socket() as channel:
        channel.bind(("127.0.0.1", 0))
        return channel.getsockname()[1]


def test_a_local_feed_sends_it_to_its_clients(passage, tmp_path):
    folder, config = tmp_path / "terminals", tmp_path / "feed.json"
    with playing(passage, "--terminals", folder) as played:
        made = folder / "feed.json"
        while not (made.exists() and made.read_text().endswith("}\n")):
            time.sleep(0.01)
        settings = json.loads(made.read_text())
        settings["outputs"]["tcp"]["port"] = port = free_port()
        config.write_text(json.dumps(settings))
        feed = subprocess.Popen(
            [sys.executable, "-m", "provision.onboard.feed", "--config", str(config)],
            stderr=subprocess.DEVNULL,
        )
        try:
            with connected(port) as tablet, tablet.makefile("rb") as stream:
                told = json.loads(played.result(20).stdout)
                tablet.shutdown(socket.SHUT_RD)
                lines = stream.read().splitlines(keepends=True)
        finally:
            feed.terminate()
            feed.wait()
    assert told == {"sent": {"depth": 10, "ais": 2}, "lost": {}, "left_out": {}}
    # The client may have come too late for the first.
    depths = [line for line in lines if line.startswith(b"$SD")]
    assert depths == [numbered(n) for n in range(10 - len(depths), 10)] and len(depths) >= 5
    assert STATIC in b"".join(lines)
    assert sorted(path.name for path in folder.iterdir()) == ["feed.json"]


def test_a_feed_that_closes_a_terminal_may_come_again(tmp_path):
    async def play() -> bytes:
        with open_terminals(tmp_path, ["depth"]) as handles:
            wire = ReplayWire("depth", handles["depth"])
            assert not is_open(handles["depth"])
            heard = b""
            for number in range(3):
                port = open_port(str(tmp_path / "depth"), 4800)
                assert is_open(handles["depth"])
                assert wire.carry(numbered(number))
                await asyncio.sleep(0.01)
                heard += os.read(port, 100)
                close_port(port)
                await asyncio.sleep(0.01)
                assert not wire.carry(b"while nobody listens")
            wire.close()
        return heard

    assert asyncio.run(play()) == b"".join(numbered(n) for n in range(3))


def test_a_configuration_that_is_there_is_kept(tmp_path):
    (tmp_path / "feed.json").write_text("my own")
    for _ in range(2):
        with open_terminals(tmp_path, ["depth", "client 10.47.1.9:4000/x"]):
            found = sorted(path.name for path in tmp_path.iterdir())
    assert found == ["client 10.47.1.9:4000_x", "depth", "feed.json"]
    assert (tmp_path / "feed.json").read_text() == "my own"
    assert [path.name for path in tmp_path.iterdir()] == ["feed.json"]


# Bad input


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "cannot be read: No such file"),
        (b"", "this is no voyage log, or an empty one"),
        (b"hello\n" * 100, "this is no voyage log, or an empty one"),
        (gzip.compress(b"\\hello\n\\s:x*00\\\n$GPGLL\n\\c:x,r:1,s:y*00\\z\n"), "no voyage log"),
    ],
    ids=["missing", "empty", "plain", "compressed"],
)
def test_what_is_no_voyage_log(tmp_path, content, said):
    file = tmp_path / "log.gz"
    if content is not None:
        file.write_bytes(content)
    with pytest.raises(UserError, match=said) as caught:
        read_recording(file)
    assert str(caught.value).startswith(f"{file}: ")


def test_a_folder_is_no_voyage_log(tmp_path):
    with pytest.raises(UserError, match="cannot be read: Is a directory"):
        read_recording(tmp_path)


def said(*arguments):
    result = replay(*arguments)
    assert isinstance(result.exception, UserError), result.output
    return str(result.exception)


@pytest.mark.parametrize("text", ["{}", "[]", '{"links": 5}', '{"links": {"a": 1}}', "no"])
def test_what_says_of_no_bench(passage, tmp_path, text):
    where = tmp_path / "where.json"
    where.write_text(text)
    found = said(passage, "--bench", where)
    assert "where.json: does not say where a bench's links are" in found
    assert "--hold --json" in found


def test_a_bench_that_does_not_fit_or_answer(passage, tmp_path):
    where = tmp_path / "where.json"
    assert "where.json: cannot be read" in said(passage, "--bench", where)
    where.write_text(json.dumps({"links": {"wind": "x"}}))
    assert "the log has sentences of ais, depth" in said(passage, "--bench", where)
    where.write_text(json.dumps({"links": {"ais": str(tmp_path / "gone")}}))
    found = said(passage, "--bench", where)
    assert "gone: the socket of ais does not answer" in found
    assert "do not go together" in said(passage, "--bench", where, "--terminals", tmp_path)


def test_a_bench_whose_power_goes(passage, tmp_path):
    with (
        served(tmp_path, "depth", "ais") as (where, ends),
        playing(passage, "--bench", where) as played,
    ):
        for end in ends.values():
            end.accept()[0].close()
        assert "has closed" in str(played.result(20).exception)


def test_what_is_damaged_is_left_out_and_said(tmp_path):
    pieces = [gzip.compress(logged(n, "depth", numbered(n)), mtime=0) for n in range(3)]
    # As zlib marks them.
    pieces = [piece[:9] + b"\x03" + piece[10:] for piece in pieces]
    damaged = bytearray(pieces[1])
    damaged[20] ^= 0x10
    file = tmp_path / "log-000001-2026-11-25.gz"
    file.write_bytes(pieces[0] + damaged + pieces[2])
    with served(tmp_path, "depth") as (where, _):
        ended = replay(file, "--bench", where, "--pace", "100")
    assert json.loads(ended.stdout)["sent"] == {"depth": 2}
    said = " ".join(ended.stderr.split())
    assert f"{len(damaged)} damaged bytes are left out" in said


def test_a_terminal_is_there_for_a_link_of_any_name(tmp_path):
    with open_terminals(tmp_path / "ends", ["fore, port", "a/b\0c"]) as handles:
        assert set(handles) == {"fore, port", "a/b\0c"}
        assert {"fore, port", "a_b_c"} <= set(os.listdir(tmp_path / "ends"))
