# SPDX-License-Identifier: GPL-3.0-or-later
"""A protocol analyser reads our datagrams."""

import shutil
import socket
import struct
import subprocess
from pathlib import Path

import pytest

from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.feed.nmea2000 import motion
from provision.onboard.feed.outputs.udp import pack
from tests.support.feed.can_groups import DEPTH, TRUE_HEADING
from tests.support.feed.rig import GGA


def has_dissector() -> bool:
    if shutil.which("tshark") is None:
        return False
    told = subprocess.run(
        ["tshark", "-G", "protocols"], capture_output=True, text=True, check=False
    ).stdout
    return "\tnmea0183\t" in told


def capture(datagram: bytes, path: Path) -> None:
    """Return a packet capture with one datagram in it."""
    udp = struct.pack("!HHHH", 40000, 10110, 8 + len(datagram), 0) + datagram
    addresses = socket.inet_aton("10.47.1.1") + socket.inet_aton("10.47.1.255")
    header = struct.pack("!BBHHHBBH", 0x45, 0, 20 + len(udp), 0, 0, 1, 17, 0)
    packet = header + addresses + udp
    # Raw IP packets (link type 101 of the pcap format).
    start = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 101)
    path.write_bytes(start + struct.pack("<IIII", 0, 0, len(packet), len(packet)) + packet)


@pytest.mark.skipif(not has_dissector(), reason="needs a tshark that knows NMEA 0183")
@pytest.mark.parametrize(
    ("sentence", "fields"),
    [
        (
            frame("$GPGLL,5057.970,N,00146.110,E,142451,A,A"),
            {"talker": "GP", "sentence": "GLL", "gll_latitude_degree": "50"},
        ),
        (GGA, {"sentence": "GGA", "gga_quality": "1", "gga_number_satellites": "08"}),
        (frame("$II" + motion.depth(DEPTH)[0]), {"dpt_depth": "5.23", "dpt_max_range": "100"}),
        (frame("$II" + motion.heading(TRUE_HEADING)[0]), {"hdt_heading": "101.1"}),
    ],
)
def test_tshark_reads_our_datagrams(
    sentence: bytes, fields: dict[str, str], tmp_path: Path
) -> None:
    (datagram,) = pack([sentence])
    capture(datagram, tmp_path / "one.pcap")
    names = [part for field in fields for part in ("-e", f"nmea0183.{field}")]
    command = ["tshark", "-r", str(tmp_path / "one.pcap"), "-d", "udp.port==10110,nmea0183"]
    told = subprocess.run(
        [*command, "-T", "fields", *names], capture_output=True, text=True, check=True
    ).stdout
    assert told.rstrip("\n").split("\t") == list(fields.values())
    # It finds nothing to warn of, such as a wrong checksum.
    warned = subprocess.run(
        [*command, "-Y", "_ws.expert.severity >= 0x600000"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert warned == ""
