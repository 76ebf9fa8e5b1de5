# SPDX-License-Identifier: GPL-3.0-or-later
"""Compare a running boat beyond its settings, to see that a change left nothing behind."""

from __future__ import annotations

import json
import socket
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Self

from provision.verify.job import Answer, ask
from tests.support.boats import Virtual

_COMMANDS = {
    "addresses": ["ip", "-json", "address"],
    "routes": ["ip", "-json", "route", "show", "table", "all"],
    "firewall": ["nft", "--json", "list", "ruleset"],
    "units": ["systemctl", "list-units", "--all", "--plain", "--no-legend", "--full",
              "--type=service,socket,timer,mount,path"],
    # What in /etc and /usr is not the base's.
    "files": ["find", "/run/boat/ram/upper/etc", "/run/boat/ram/upper/usr",
              "-printf", "%P %y %m %U:%G %l\n"],
    "contents": ["find", "/run/boat/ram/upper/etc", "/run/boat/ram/upper/usr", "-type", "f",
                 "-exec", "sha256sum", "{}", "+"],
    "names": ["find", "/dev/boat", "-type", "l", "-printf", "%f %l\n"],
    "host": ["hostname"],
    "radio": ["sh", "-c", "hostapd_cli -i wlan0 status | grep -E '^(state|channel|ssid.0.)='"],
    "timers": ["systemctl", "list-timers", "--all", "--no-legend", "boat-settings-return*"],
}  # fmt: skip

#: Units that come and go by themselves: work that is done now and then, and log-ins.
_PASSING = (
    "apt-", "boat-clock", "boat-grow", "dpkg-", "e2scrub", "fstrim", "logrotate", "man-db",
    "session-", "ssh@", "sshd@", "systemd-hostnamed", "systemd-random-seed",
    "systemd-tmpfiles-clean", "systemd-udev-settle", "user@", "user-runtime-dir@",
)  # fmt: skip

Snapshot = dict[str, Any]


@dataclass(frozen=True)
class _Host:
    """Answers as `ask` expects, over the connection that the tests share."""

    boat: Virtual

    def run(self, command: str) -> _Output:
        return _Output(self.boat.ask(command))


@dataclass(frozen=True)
class _Output:
    stdout: str
    stderr: str = ""


def snapshot(boat: Virtual) -> Snapshot:
    """Addresses, routes, firewall, units, files and names aboard, without what always varies."""
    said = ask(_Host(boat), {"live": _COMMANDS})["live"]
    return {
        "addresses": _addresses(said["addresses"]),
        "routes": sorted(map(_route, json.loads(said["routes"].ok().output))),
        "firewall": _firewall(said["firewall"]),
        "units": _units(said["units"]),
        **{name: sorted(said[name].lines) for name in ("files", "contents", "names")},
        **{name: said[name].lines for name in ("host", "radio", "timers")},
    }


def _addresses(answer: Answer) -> dict[str, Any]:
    return {
        link["ifname"]: {
            "mac": link["address"],
            "bridge": link.get("master"),
            "state": link["operstate"],
            "mtu": link["mtu"],
            "addresses": sorted(
                f"{one['local']}/{one['prefixlen']} {one['scope']}" for one in link["addr_info"]
            ),
        }
        for link in json.loads(answer.ok().output)
    }


def _route(route: dict[str, Any]) -> str:
    return " ".join(f"{key}={route[key]}" for key in sorted(route) if key not in ("metric",))


def _firewall(answer: Answer) -> list[Any]:
    rules = [one for one in json.loads(answer.ok().output)["nftables"] if "metainfo" not in one]
    for rule in rules:
        for content in rule.values():
            content.pop("handle", None)
    return rules


def _units(answer: Answer) -> dict[str, str]:
    rows = [line.split(maxsplit=4) for line in answer.ok().lines]
    return {
        unit: f"{active} {sub}"
        for unit, _, active, sub, *_ in rows
        if active != "inactive" and not unit.startswith(_PASSING)
    }


def differences(before: Snapshot, now: Snapshot) -> list[str]:
    """Return what is not as it was, a line each."""
    found = []
    for subject, old in before.items():
        new = now[subject]
        if isinstance(old, dict):
            keys = sorted({*old, *new})
            changes = [(key, old.get(key), new.get(key)) for key in keys]
            found += [f"{subject}: {k}: {a} -> {b}" for k, a, b in changes if a != b]
        elif old != new:
            gone = [f"- {one}" for one in old if one not in new]
            come = [f"+ {one}" for one in new if one not in old]
            found.append(f"{subject}: {'; '.join(gone + come) or 'another order'}")
    return found


class Watch:
    """Looks every other second whether the boat answers SSH, and how long it did not.

    More often would look like an attack to its sshd.
    """

    def __init__(self, port: int) -> None:
        self._port = port
        self._answers: list[float] = []
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._look)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._ended.is_set():
            with (
                suppress(OSError),
                socket.create_connection(("127.0.0.1", self._port), timeout=2) as stream,
            ):
                stream.settimeout(2)
                if stream.recv(4) == b"SSH-":
                    self._answers.append(time.monotonic())
            self._ended.wait(2)

    @property
    def silence(self) -> float:
        """Return the longest time between two answers, in seconds."""
        pairs = zip(self._answers, self._answers[1:], strict=False)
        return max((later - earlier for earlier, later in pairs), default=0.0)
