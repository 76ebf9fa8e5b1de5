# SPDX-License-Identifier: GPL-3.0-or-later
"""No secret is in a diff, old or new, whoever wrote the file; that it changed still shows."""

from __future__ import annotations

import pytest

from provision.profile.secrets.keygen import generate_private_key
from provision.push.query.diff import write_diff
from provision.push.query.redact import Redactor
from provision.render import File, Symlink

PSK = "0dc0d6eb90555ed6419756b9a15ec3e3209b63df707dd508d14581f8982721af"


@pytest.mark.parametrize(
    ("path", "text", "secret"),
    [
        ("/etc/hostapd/boat.conf", f"wpa_psk={PSK}\n", PSK),
        ("/etc/hostapd/boat.conf", "wpa_passphrase=written by hand\n", "by hand"),
        ("/etc/hostapd/boat.conf", "#wpa_passphrase=written by hand\n", "by hand"),
        ("/etc/hostapd/boat.conf", f"unheard_of {PSK}\n", PSK),
        ("/etc/wpa_supplicant/radio.conf", '  psk="written by hand"\n', "by hand"),
        ("/etc/boat/some.json", '{\n "password": "by hand"\n}\n', "by hand"),
        ("/etc/boat/key", generate_private_key(), "b3BlbnNzaC1rZXktdjE"),
        ("/etc/boat/key", generate_private_key().split("\n", 1)[1], "AAAA"),
        ("/etc/ssh/ssh_host_ed25519_key", "half a key\n", "half"),
        ("/etc/motd", "the word is plain-words-of-ours\n", "plain-words"),
    ],
)
@pytest.mark.parametrize("other", [None, File(b"another\n", 0o600), Symlink("/etc/other")])
def test_a_secret_is_not_shown(
    path: str, text: str, secret: str, other: File | Symlink | None
) -> None:
    mode = 0o644 if path == "/etc/motd" else 0o600
    known = ["plain-words-of-ours"]
    entry = File(text.encode(), mode)
    for old, new in (({path: entry}, {}), ({}, {path: entry})):
        rest = {path: other} if other else {}
        shown = write_diff([path], old or rest, new or rest, known)
        assert "<secret 1>" in shown
        assert secret not in shown


def test_a_change_of_a_secret_shows() -> None:
    shown = write_diff(
        ["/a"], {"/a": File(b"psk=one\nssid=x\n", 0o600)}, {"/a": File(b"psk=two\n", 0o600)}, []
    )
    assert "-psk=<secret 1>\n" in shown
    assert "+psk=<secret 2>\n" in shown
    assert "-ssid=x\n" in shown


def test_the_same_secret_is_no_change() -> None:
    one = Redactor(["canary"])
    assert one("/a", "canary", private=True) == one("/b", "canary", private=False)


def test_what_is_no_secret_is_shown() -> None:
    """Code that carries sentences is public, whatever its names."""
    line = "password = read(key=SECRET)\n"
    assert Redactor([])("/usr/lib/boat/x.py", line, private=False) == line


def test_modes_links_and_other_bytes() -> None:
    old = {
        "/mode": File(b"x"),
        "/link": Symlink("/a"),
        "/bytes": File(b"\xff"),
        "/gone": File(b"x"),
    }
    new = {"/mode": File(b"x", 0o755), "/link": Symlink("/b"), "/bytes": File(b"\xfe")}
    shown = write_diff([*old], old, new, [])
    assert "mode of /mode: 0644 -> 0755" in shown
    assert "-link to /a\n+link to /b\n" in shown
    assert shown.count("1 bytes that are no text, SHA-256 ") == 2
    assert "--- aboard/gone\n+++ /dev/null\n" in shown
