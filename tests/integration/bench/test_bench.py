# SPDX-License-Identifier: GPL-3.0-or-later
"""A bench gives back all that it takes of this computer. Here it has no machine in it."""

from __future__ import annotations

import ipaddress
import socket
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from provision.bench.bench import Bench
from provision.bench.qemu import build
from provision.bench.qemu.process import Emulator
from provision.boards import board
from provision.errors import UserError
from provision.profile.schema.boat import Profile
from provision.profile.secrets.keygen import generate_private_key
from provision.profile.secrets.store import Secrets
from tests.integration.bench.fake_emulator import command
from tests.support import render_rig

Make = Callable[..., Bench]


def profile(**network: Any) -> Profile:
    access = {"keys": [render_rig.KEY], "from_shore": network.pop("from_shore", False)}
    links = {"gnss": {"adapter": {"serial": "A1"}, "talks": ["RMC"]}}
    return render_rig.profile(network=network, links=links, access=access)


@pytest.fixture
def temporary(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Path]:
    """Give a folder for benches. The names of pytest's own folders may be too long for sockets."""
    tmp_path_factory.getbasetemp()  # made before it would be in here
    with tempfile.TemporaryDirectory() as folder:
        monkeypatch.setattr(tempfile, "tempdir", folder)
        yield Path(folder)


@pytest.fixture
def make(temporary: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Make:
    """Makes benches of a card with nothing on it."""
    card = tmp_path / "card.img"
    card.write_bytes(bytes(2**20))
    monkeypatch.setattr(build, "is_usable", lambda _: False)
    monkeypatch.setattr(Emulator, "command", lambda self: command(self.folder))
    secrets = Secrets(pass_phrase="a pass-phrase", host_key=generate_private_key())

    def one(card: Path = card, **network: Any) -> Bench:
        return Bench(profile(**network), secrets, board("x86-64"), card, instruments=False)

    return one


@pytest.mark.parametrize(
    "address", ["10.47.1.1/24", "10.47.1.254/24", "10.47.1.2/24", "10.0.0.14/28"]
)
def test_nothing_else_on_the_wire_has_the_boats_address(make: Make, address: str) -> None:
    with make(address=address) as bench:
        wire, boat = bench.emulator.wire, ipaddress.ip_interface(address)
    others = [ipaddress.ip_address(one) for one in (wire.host, wire.names)]
    assert len({*others, boat.ip}) == 3
    assert all(one in boat.network.hosts() for one in others)
    assert {forward.address for forward in wire.forwards} == {str(boat.ip)}


def test_unreachable_services_are_not_offered(make: Make) -> None:
    """This computer is ashore, where the wired port leads."""
    with make() as bench:
        assert bench.where()["ssh"]["port"] == bench.ssh_port
        assert bench.where()["feed"]["port"] == bench.feed_port
    with make(wired="shore") as bench:
        assert (bench.where()["ssh"], bench.where()["feed"]) == (None, None)
    with make(wired="shore", from_shore=True) as bench:
        assert bench.where()["ssh"]["port"] == bench.ssh_port
        assert bench.where()["feed"] is None


def test_no_other_program_gets_its_ports(make: Make) -> None:
    """The ports stay taken while the boat's power is cut."""
    with make() as bench, make() as other:
        bench.power_cut()
        ports = (bench.ssh_port, bench.feed_port, other.ssh_port, other.feed_port)
        assert len({*ports}) == 4
        for port in ports:
            with socket.socket() as taker, pytest.raises(OSError):
                taker.bind(("127.0.0.1", port))
    for port in ports:
        with socket.socket() as taker:
            taker.bind(("127.0.0.1", port))


def test_nothing_is_left_of_it(make: Make, temporary: Path) -> None:
    with make():
        assert len(list(temporary.iterdir())) == 1
    for error in (KeyboardInterrupt, SystemExit):
        with pytest.raises(error), make():
            raise error
    assert list(temporary.iterdir()) == []


def test_a_failed_bench_leaves_its_logs(make: Make, temporary: Path) -> None:
    with pytest.raises(UserError), make():
        raise UserError("the tablet does not answer")
    (folder,) = temporary.iterdir()
    assert [path.name for path in folder.iterdir()] == ["emulator.log"]


def test_a_bench_that_never_ran_leaves_nothing(
    make: Make, temporary: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(UserError):
        make(card=temporary / "none.img")
    monkeypatch.setattr(Emulator, "command", lambda _: ["false"])
    with pytest.raises(UserError, match="did not start"), make():
        pass
    assert list(temporary.iterdir()) == []


def test_a_full_disk_is_reported(make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk stops the machine, so that another part of the bench fails first."""
    monkeypatch.setattr(Emulator, "command", lambda self: command(self.folder, status="io-error"))
    with pytest.raises(UserError, match="the disk is full"), make():
        raise UserError("the boat does not answer SSH")


def test_a_folder_whose_name_is_too_long_for_sockets(
    make: Make, temporary: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    long = temporary / ("x" * 90)
    long.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(long))
    with pytest.raises(UserError) as error:
        make()
    assert "TMPDIR" in error.value.hint
    assert list(long.iterdir()) == []
