# SPDX-License-Identifier: GPL-3.0-or-later
"""Play a tablet aboard inside the guest: its own radio in its own network namespace.

Speak JSON lines with the bench over a serial port: one request a line, one answer a line, each with
the request's `id`. Run on the guest's python3 with its standard library only.
"""

import contextlib
import json
import os
import socket
import subprocess
import sys
import termios
import time
import tty
from pathlib import Path
from typing import Any

NAMESPACE = "tablet"
RADIO = "wlan1"
#: Not in /run, where no program may be executed.
RUN_FOLDER = Path("/tmp/bench-tablet")  # noqa: S108
#: Called by busybox's DHCP client with the lease in the environment.
DHCP_SCRIPT = """#!/bin/sh
case "$1" in
bound|renew)
    ip address flush dev "$interface"
    ip address add "$ip/$mask" dev "$interface"
    [ -z "$router" ] || ip route replace default via "${router%% *}"
    echo "$ip $mask $router $dns" > /tmp/bench-tablet/lease
    ;;
esac
"""


def run(*command: str, check: bool = True) -> str:
    """Run a program and return its output."""
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if check and done.returncode != 0:
        raise RuntimeError(f"{command[0]}: {done.stderr.strip() or done.stdout.strip()}")
    return done.stdout


class TabletAgent:
    """Control the tablet's radio and its lease, and do what the bench asks."""

    def __init__(self) -> None:
        RUN_FOLDER.mkdir(mode=0o700, exist_ok=True)
        (RUN_FOLDER / "dhcp").write_text(DHCP_SCRIPT)
        (RUN_FOLDER / "dhcp").chmod(0o755)
        self.supplicant: subprocess.Popen[bytes] | None = None
        self.mac = ""

    def enter(self) -> None:
        """Move the second radio into a namespace of its own, and enter it."""
        phy = Path(f"/sys/class/net/{RADIO}/phy80211/name")
        while not phy.exists():
            time.sleep(0.1)
        self.mac = Path(f"/sys/class/net/{RADIO}/address").read_text().strip()  # before it leaves
        run("ip", "netns", "add", NAMESPACE)
        run("iw", "phy", phy.read_text().strip(), "set", "netns", "name", NAMESPACE)
        # In Python since 3.12. The guest's Python is newer than the one that checks this file.
        os.setns(os.open(f"/run/netns/{NAMESPACE}", os.O_RDONLY))  # type: ignore[attr-defined]
        run("ip", "link", "set", "lo", "up")

    def join(
        self, ssid: str, psk: str, frequency: int, seconds: float = 60, mac: str = ""
    ) -> dict[str, Any]:
        """Join the network (SSID and PSK in hexadecimal, MHz) and ask for an address.

        Another hardware address makes another tablet of it. Without one it is the radio's own.
        """
        self.leave()
        run("ip", "link", "set", RADIO, "down")
        run("ip", "link", "set", RADIO, "address", mac or self.mac)
        config = RUN_FOLDER / "wpa.conf"
        config.write_text(
            f"ctrl_interface={RUN_FOLDER}/wpa\nnetwork={{\n ssid={ssid}\n psk={psk}\n"
            f" scan_freq={frequency}\n key_mgmt=WPA-PSK\n}}\n"
        )
        started = time.monotonic()
        self.supplicant = subprocess.Popen(
            ["wpa_supplicant", "-i", RADIO, "-c", str(config), "-D", "nl80211"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self.control("SCAN_INTERVAL 1", started + seconds)
        self.control("SCAN", started + seconds)  # not after the interval that it began with
        while "wpa_state=COMPLETED" not in self.control("STATUS", started + seconds):
            if time.monotonic() > started + seconds:
                raise RuntimeError("not associated in time")
            time.sleep(0.05)
        joined = time.monotonic() - started
        lease = RUN_FOLDER / "lease"
        lease.unlink(missing_ok=True)
        run("busybox", "udhcpc", "-i", RADIO, "-n", "-q", "-f", "-t", "20", "-T", "1",
            "-s", str(RUN_FOLDER / "dhcp"))  # fmt: skip
        address, mask, router, *names = lease.read_text().split()
        return {
            "associated": round(joined, 2),
            "address": f"{address}/{mask}",
            "router": router,
            "names": names,
            "signal": self.control("SIGNAL_POLL").splitlines(),
        }

    def control(self, command: str, end: float = 0) -> str:
        """Ask wpa_supplicant, which may not listen before `end`.

        It uses the control socket: a process for each question is slow in an emulated machine.
        """
        here, there = RUN_FOLDER / "control", RUN_FOLDER / "wpa" / RADIO
        while True:
            here.unlink(missing_ok=True)
            with contextlib.closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as asked:
                asked.settimeout(5)
                asked.bind(str(here))
                try:
                    asked.connect(str(there))
                    asked.send(command.encode())
                    return asked.recv(4096).decode("ascii", "replace")
                except OSError:
                    if time.monotonic() > end:
                        raise
            time.sleep(0.05)

    def leave(self) -> dict[str, Any]:
        """Leave the network."""
        if self.supplicant:
            self.supplicant.terminate()
            self.supplicant.wait()
            self.supplicant = None
        run("ip", "address", "flush", "dev", RADIO, check=False)
        return {}

    def borrow(self, address: str) -> dict[str, Any]:
        """Take an address (with its prefix length) that was not given to this tablet."""
        run("ip", "address", "add", address, "dev", RADIO)
        return {}

    def listen(  # noqa: PLR0913
        self,
        host: str,
        port: int,
        seconds: float,
        lines: int = 0,
        send: str = "",
        source: str = "",
    ) -> dict[str, Any]:
        """Connect over TCP, send something if asked, and read for a time or some lines.

        `source` is the local address. The answer's `at` is when each line came, in seconds of the
        guest's uptime.
        """
        end = time.monotonic() + seconds
        got = b""
        first = None
        at: list[float] = []
        with contextlib.closing(connect(host, port, end, source)) as stream:
            if send:
                stream.sendall(send.encode("latin-1"))
            while (left := end - time.monotonic()) > 0:
                stream.settimeout(left)
                try:
                    piece = stream.recv(65536)
                except TimeoutError:
                    break
                if not piece:
                    break
                got += piece
                at += [uptime()] * piece.count(b"\n")
                if first is None and b"\n" in got:
                    first = uptime()
                if lines and got.count(b"\n") >= lines:
                    break
        return {"lines": got.decode("latin-1").splitlines(), "at": at, "first": first}

    def serve(self, port: int, lines: list[str], seconds: float) -> dict[str, Any]:
        """Play an instrument on the network: send one line a second to each client."""
        end = time.monotonic() + seconds
        sent = 0
        with socket.create_server(("", port)) as server:
            server.settimeout(seconds)
            with server.accept()[0] as stream:
                while time.monotonic() < end:
                    stream.sendall(lines[sent % len(lines)].encode("latin-1") + b"\r\n")
                    sent += 1
                    time.sleep(1)
        return {"sent": sent}

    def datagrams(self, port: int, seconds: float, group: str = "") -> dict[str, Any]:
        """Receive UDP datagrams, broadcast or of a multicast group, for so many seconds."""
        end = time.monotonic() + seconds
        got = []
        with contextlib.closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as box:
            box.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            box.bind(("", port))
            if group:
                member = socket.inet_aton(group) + socket.inet_aton("0.0.0.0")  # noqa: S104
                box.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, member)
            while (left := end - time.monotonic()) > 0:
                box.settimeout(left)
                try:
                    data, sender = box.recvfrom(65536)
                except TimeoutError:
                    break
                got.append({"from": sender[0], "data": data.decode("latin-1")})
        return {"datagrams": got}

    def knock(self, host: str, ports: list[int], seconds: float = 1) -> dict[str, Any]:
        """Return the TCP ports that answer."""
        answers = {}
        for port in ports:
            try:
                with socket.create_connection((host, port), timeout=seconds):
                    answers[port] = "open"
            except ConnectionRefusedError:
                answers[port] = "refused"
            except OSError:
                answers[port] = "silent"
        return {"ports": answers}

    def resolve(self, name: str, server: str) -> dict[str, Any]:
        """Return the answer of the boat's name service."""
        return {"answer": run("busybox", "nslookup", name, server, check=False)}


def connect(host: str, port: int, end: float, source: str = "") -> socket.socket:
    """Connect over TCP. Retry until `end` on the monotonic clock."""
    while True:
        try:
            return socket.create_connection((host, port), 2, (source, 0))
        except OSError:
            if time.monotonic() > end:
                raise
            time.sleep(0.1)


def uptime() -> float:
    """Return the seconds since the guest's kernel started."""
    return float(Path("/proc/uptime").read_text().split()[0])


def main(device: str) -> None:
    """Answer requests on the serial port `device` until the guest ends."""
    handle = os.open(device, os.O_RDWR | os.O_NOCTTY)
    if os.isatty(handle):
        tty.setraw(handle, termios.TCSANOW)
    port = os.fdopen(handle, "r+b", buffering=0)
    tablet = TabletAgent()
    tablet.enter()
    pending = b""
    port.write(json.dumps({"id": 0, "ready": uptime()}).encode() + b"\n")
    while True:
        pending += port.read(4096) or b""
        while b"\n" in pending:
            line, pending = pending.split(b"\n", 1)
            try:
                request = json.loads(line)
            except ValueError:
                continue
            answer: dict[str, Any] = {"id": request.pop("id")}
            try:
                answer.update(getattr(tablet, request.pop("do"))(**request))
            except Exception as error:
                answer["error"] = f"{type(error).__name__}: {error}"
            answer["uptime"] = uptime()
            write_all(port.fileno(), json.dumps(answer).encode() + b"\n")


def write_all(handle: int, data: bytes) -> None:
    """Write all data. A serial port takes only a little at a time."""
    while data:
        data = data[os.write(handle, data) :]


if __name__ == "__main__":
    main(sys.argv[1])
