# SPDX-License-Identifier: GPL-3.0-or-later
"""The boat's network in a nutshell, for the rendered firewall and name service to run in.

    boat0 (a bridge, the boat) --- tablet, --- wire: two hosts on the boat's own network, the
                                   tablet at a port that has the radio's name
    shore0 (the boat)          --- ashore: a host off the boat

It is run as a program in a network namespace of its own, where the boat's files lie in
their places; it prints what it found out as JSON. `uplink` as argument adds the shore.
"""

from __future__ import annotations

import ctypes
import json
import os
import random
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

BOAT, TABLET, WIRE = "10.47.1.1", "10.47.1.50", "10.47.1.60"
BRIDGE_MAC = "02:00:00:00:00:47"
SHORE, ASHORE = "192.0.2.1", "192.0.2.9"
WAIT = 0.25
TCP_PORTS = (22, 53, 80, 10110, 10111)
UDP_PORTS = (53, 67, 69, 123, 10110, 10112)

#: Addresses and ports of IEC 61162-450, from memory: SATD, NAVD.
GROUPS = (("239.192.0.3", 60003), ("239.192.0.4", 60004))

libc = ctypes.CDLL(None, use_errno=True)


def run(*command: str) -> None:
    subprocess.run(command, check=True)


@contextmanager
def within(name: str | None) -> Iterator[None]:
    """Sockets made in here are the host's that has this name."""
    before = os.open("/proc/self/ns/net", os.O_RDONLY)
    after = os.open(f"/run/netns/{name}", os.O_RDONLY) if name else before
    try:
        if libc.setns(after, 0x40000000) != 0:
            raise OSError(ctypes.get_errno(), "setns")
        yield
    finally:
        libc.setns(before, 0x40000000)
        os.close(before)


def lay_out(uplink: bool) -> None:
    run("ip", "link", "add", "boat0", "address", BRIDGE_MAC, "type", "bridge")
    run("ip", "address", "add", f"{BOAT}/24", "brd", "+", "dev", "boat0")
    run("ip", "link", "set", "boat0", "up")
    hosts = [("tablet", TABLET, "boat0"), ("wire", WIRE, "boat0")]
    if uplink:
        hosts.append(("ashore", ASHORE, ""))
    for name, address, bridge in hosts:
        run("ip", "netns", "add", name)
        far = ("peer", "name", "eth0", "netns", name)
        near = {"tablet": "wlan0", "ashore": "shore0"}.get(name, f"to-{name}")
        run("ip", "link", "add", near, "type", "veth", *far)
        if bridge:
            run("ip", "link", "set", near, "master", bridge)
        else:
            run("ip", "address", "add", f"{SHORE}/24", "dev", near)
        run("ip", "link", "set", near, "up")
        run("ip", "-n", name, "address", "add", f"{address}/24", "dev", "eth0")
        run("ip", "-n", name, "link", "set", "eth0", "up")
    run("ip", "-n", "tablet", "route", "add", "default", "via", BOAT)
    # The rest is the machine's, not the namespace's.
    run("sysctl", "-q", "-r", r"^net\.", "-p", "/etc/sysctl.d/50-boat.conf")


def tcp(host: str, target: str, port: int) -> str | None:
    """Connect from `host`; how the other end sees it, or None when it does not get through."""
    with within(host):
        client = socket.socket()
    with client:
        client.settimeout(WAIT)
        try:
            client.connect((target, port))
            return client.recv(64).decode()
        except OSError:
            return None


def datagram(sender: str, source: int, receiver: str, address: str, port: int) -> bool:
    """Report whether a UDP datagram arrives."""
    with within(receiver if receiver != "boat" else None):
        inbox = socket.socket(type=socket.SOCK_DGRAM)
        inbox.bind(("0.0.0.0", port))
        if address.startswith("239."):
            membership = socket.inet_aton(address) + socket.inet_aton(BOAT)
            inbox.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, membership)
        inbox.settimeout(WAIT)
    with within(sender):
        outbox = socket.socket(type=socket.SOCK_DGRAM)
        outbox.bind(("0.0.0.0", source))
    with inbox, outbox:
        outbox.sendto(b"ahoy", (address, port))
        try:
            return inbox.recv(16) == b"ahoy"
        except TimeoutError:
            return False


def look_up(name: str) -> str:
    """Return what the boat's name service answers: an address, or the response code's number."""
    question = b"".join(bytes([len(part)]) + part.encode() for part in name.split("."))
    with within("tablet"):
        client = socket.socket(type=socket.SOCK_DGRAM)
    with client:
        client.settimeout(2)
        query = struct.pack("!6H", 7, 0x100, 1, 0, 0, 0) + question + b"\0\0\1\0\1"
        client.sendto(query, (BOAT, 53))
        answer = client.recv(512)
    _, flags, _, answers, _, _ = struct.unpack("!6H", answer[:12])
    return socket.inet_ntoa(answer[-4:]) if answers else f"rcode {flags & 15}"


def lease(mac: str) -> dict[str, str]:
    """Return what a device with this MAC address is offered: RFC 2131, discover and offer."""
    transaction = random.getrandbits(32)
    hardware = bytes.fromhex(mac.replace(":", ""))
    discover = struct.pack(
        "!4BIHH16s16s192s", 1, 1, 6, 0, transaction, 0, 0x8000, b"", hardware, b""
    )
    discover += bytes([0x63, 0x82, 0x53, 0x63, 53, 1, 1, 55, 3, 1, 3, 6, 255])
    with within("tablet"):
        client = socket.socket(type=socket.SOCK_DGRAM)
        client.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        client.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, b"eth0")
        client.bind(("", 68))
    with client:
        client.settimeout(3)
        client.sendto(discover, ("255.255.255.255", 67))
        while True:
            offer = client.recv(1500)
            if struct.unpack("!I", offer[4:8])[0] == transaction:
                break
    found = {"address": socket.inet_ntoa(offer[16:20])}
    rest = offer[240:]
    while rest and rest[0] != 255:
        code, length = rest[0], rest[1]
        value = rest[2 : 2 + length]
        if code in (1, 3, 6):
            found[{1: "mask", 3: "router", 6: "names"}[code]] = socket.inet_ntoa(value)
        rest = rest[2 + length :]
    return found


#: A tablet with a fixed address and a pass-phrase of its own, and what a guest has.
OWN, OWN_MAC, GUEST_MAC = "10.47.1.204", "02:00:00:12:34:56", "02:00:00:00:00:99"


def passed(host: str, mac: str, address: str, tags: int = 0) -> bool:
    """Report whether a UDP datagram with these source addresses reaches the boat's own programs.

    `tags` is how many VLAN tags with number 0, which the kernel ignores, are in front of it.
    """
    inbox = socket.socket(type=socket.SOCK_DGRAM)
    inbox.bind(("0.0.0.0", 53))
    inbox.settimeout(WAIT)
    with within(host):
        air = socket.socket(socket.AF_PACKET, socket.SOCK_RAW)
        air.bind(("eth0", 0))
    source, target = socket.inet_aton(address), socket.inet_aton(BOAT)
    # IPv4 (RFC 791) with its checksum, UDP (RFC 768) without one.
    head = struct.pack("!BBHHHBBH4s4s", 0x45, 0, 32, 0, 0, 64, 17, 0, source, target)
    total = sum(struct.unpack("!10H", head))
    head = head[:10] + struct.pack("!H", ~(total + (total >> 16)) & 0xFFFF) + head[12:]
    hardware = bytes.fromhex((BRIDGE_MAC + mac).replace(":", ""))
    body = struct.pack("!4H", 4000, 53, 12, 0) + b"ahoy"
    air.send(hardware + b"\x81\x00\x00\x00" * tags + b"\x08\x00" + head + body)
    with inbox, air:
        try:
            return inbox.recv(16) == b"ahoy"
        except TimeoutError:
            return False


def claimed(host: str, mac: str, address: str) -> bool:
    """Report whether the boat takes an ARP answer (RFC 826) with an address for this host's."""
    # Else the kernel holds on to an answer for a second (arp(7)), and so to a tick of its clock.
    run("sysctl", "-q", "-w", "net.ipv4.neigh.boat0.locktime=0")
    run("ip", "neigh", "replace", address, "lladdr", "02:00:00:00:00:01", "nud", "stale",
        "dev", "boat0")  # fmt: skip
    with within(host):
        air = socket.socket(socket.AF_PACKET, socket.SOCK_RAW)
        air.bind(("eth0", 0))
    hardware, protocol = bytes.fromhex(mac.replace(":", "")), socket.inet_aton(address)
    boat = bytes.fromhex(BRIDGE_MAC.replace(":", "")) + socket.inet_aton(BOAT)
    claim = struct.pack("!HHBBH", 1, 0x0800, 6, 4, 2) + hardware + protocol + boat
    time.sleep(0.05)
    with air:
        air.send(boat[:6] + hardware + b"\x08\x06" + claim)
    time.sleep(WAIT)
    table = subprocess.run(
        ["ip", "neigh", "show", address], check=True, capture_output=True, text=True
    )
    return mac in table.stdout


def forged() -> dict[str, bool]:
    """Which forgeries of a tablet's addresses reach the boat; by nft's order of things."""
    return {
        "the tablet": passed("tablet", OWN_MAC, OWN),
        "the tablet, tagged": passed("tablet", OWN_MAC, OWN, 1),
        "the tablet's claim": claimed("tablet", OWN_MAC, OWN),
        "a guest by itself": passed("tablet", GUEST_MAC, TABLET),
        "a guest by itself, tagged": passed("tablet", GUEST_MAC, TABLET, 1),
        "a wired device by itself": passed("wire", GUEST_MAC, WIRE),
        "a guest with its address": passed("tablet", GUEST_MAC, OWN),
        "the same, tagged": passed("tablet", GUEST_MAC, OWN, 1),
        "the same, tagged twice": passed("tablet", GUEST_MAC, OWN, 2),
        "a guest's claim": claimed("tablet", GUEST_MAC, OWN),
        "a wired device with its address": passed("wire", GUEST_MAC, OWN),
        "a wired device with both": passed("wire", OWN_MAC, OWN),
        "the same, tagged as well": passed("wire", OWN_MAC, OWN, 1),
        "a wired device with its hardware address": passed("wire", OWN_MAC, WIRE),
        "a wired device's claim with both": claimed("wire", OWN_MAC, OWN),
    }


#: What the shore's name service answers.
ASHORE_NAMES = {
    "harbour.example": ("198.51.100.7",),
    "login.example": ("192.168.5.1",),
    "boat.example": (BOAT,),
    "mixed.example": ("198.51.100.7", TABLET),
    "loopback.example": ("127.0.0.1",),
    "nowhere.example": ("0.0.0.0",),
}


@contextmanager
def shore_names() -> Iterator[None]:
    """Give a name service where the boat's own asks."""
    records = [f"--host-record={n},{a}" for n, all in ASHORE_NAMES.items() for a in all]
    where = ["--listen-address=127.0.0.53", "--bind-interfaces", "--no-hosts", "--no-resolv"]
    command = ["dnsmasq", "--no-daemon", "--conf-file=/dev/null", *where, *records]
    with subprocess.Popen(command) as server:
        try:
            yield
        finally:
            server.terminate()


@contextmanager
def name_service() -> Iterator[None]:
    """Give the rendered dnsmasq; in debug mode it does not look for a user that is not in here."""
    command = ["dnsmasq", "--no-daemon", "--conf-file=/etc/dnsmasq.conf"]
    with subprocess.Popen(command) as server:
        try:
            for _ in range(50):
                with suppress(OSError):
                    look_up("anything.boat")
                    break
                time.sleep(0.05)
            yield
        finally:
            server.terminate()


def serve(name: str | None, ports: tuple[int, ...]) -> list[socket.socket]:
    """Listening sockets; each tells whoever connects what address it sees."""
    listening = []
    for port in ports:
        with within(name):
            server = socket.create_server(("0.0.0.0", port))
        listening.append(server)
        if os.fork() == 0:
            while True:
                client, address = server.accept()
                client.sendall(address[0].encode())
                client.close()
    return listening


def main() -> None:
    uplink = "uplink" in sys.argv
    lay_out(uplink)
    found: dict[str, object] = {}
    if "forge" in sys.argv:
        found["before"] = forged()
    for _ in range(2):
        run("nft", "-f", "/etc/nftables.conf")
    if "forge" in sys.argv:
        found["forged"] = forged()
        print(json.dumps(found))
        return
    if not uplink:
        with name_service():
            found["names"] = {
                name: look_up(name)
                for name in ("kittiwake", "kittiwake.boat", "kittiwake.local", "example.org")
            }
            found["leases"] = [lease("02:00:00:12:34:56"), lease("02:00:00:00:00:01")]
    else:
        with shore_names(), name_service():
            found["names"] = {name: look_up(name) for name in ("kittiwake.boat", *ASHORE_NAMES)}
    serve(None, TCP_PORTS)
    found["tcp"] = [port for port in TCP_PORTS if tcp("tablet", BOAT, port)]
    found["udp"] = [port for port in UDP_PORTS if datagram("tablet", 4000, "boat", BOAT, port)]
    found["groups"] = [
        port for group, port in GROUPS if datagram("tablet", 4000, "boat", group, port)
    ]
    found["from wire to tablet"] = [
        source for source in (67, 68, 547, 4000) if datagram("wire", source, "tablet", TABLET, 68)
    ]
    if uplink:
        serve("ashore", (8080,))
        serve("tablet", (8080,))
        found["udp from shore"] = [
            port for port in UDP_PORTS if datagram("ashore", 4000, "boat", SHORE, port)
        ]
        found["tcp from shore"] = [port for port in TCP_PORTS if tcp("ashore", SHORE, port)]
        found["seen ashore"] = tcp("tablet", ASHORE, 8080)
        run("ip", "-n", "ashore", "route", "add", "10.47.1.0/24", "via", SHORE)
        found["shore to tablet"] = tcp("ashore", TABLET, 8080)
    print(json.dumps(found))


if __name__ == "__main__":
    main()
