# SPDX-License-Identifier: GPL-3.0-or-later
"""A profile is read, or every mistake in it is told with its place and a hint."""

from __future__ import annotations

import os
import shutil
import textwrap
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.errors import UserError, UserErrors
from provision.paths import shipped
from provision.profile import load
from provision.profile.yaml import tree
from tests.support.profiles import errors_of, replaced

KEY = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIMguC1qBhgWvRN+gCtjg0iu3yxwkuCayK22C0QQZN3S+"

GOOD = """\
boat: tern
board: x86-64
network:
  address: 10.47.9.1/24
  access_point: {ssid: Tern, country: GB, channel: 6}
links:
  gnss: {adapter: {serial: TN-GNSS-01}, baud: 4800, talks: [RMC, GGA]}
  wind:
    adapter: {serial: TN-WIND-02}
    talks: {MWV: 2}
access:
  keys: [operator.pub]
"""


def refused(folder: Path, old: str, new: str) -> UserError:
    """Return the one error after replacing a piece of the good profile."""
    path = folder / "tern.yml"
    path.write_text(replaced(GOOD, (old, new)))
    (error,) = errors_of(path)
    assert error.location is not None
    assert error.location.file == path
    return error


def test_the_good_profile_is_read(tmp_path: Path) -> None:
    path = tmp_path / "tern.yml"
    path.write_text(GOOD)
    boat = load.read(path)
    assert boat.name == "tern"
    assert boat.profile.links["gnss"].talks == {"RMC": 1.0, "GGA": 1.0}
    assert boat.profile.links["wind"].talks == {"MWV": 2.0}
    assert boat.profile.links["wind"].baud == 4800
    location = boat.location("links.wind.talks.MWV")
    assert (location.line, location.column) == (10, 18)


@pytest.mark.parametrize(
    ("old", "new", "location", "message", "hint"),
    [
        # duplicate key
        ("  wind:", "  gnss:", "8:3: links.gnss", "twice", "line 7"),
        # unknown keys, at several depths
        ("\nboard:", "\nbord:", "2:1: bord", "no key bord", "did you mean board?"),
        ("channel: 6", "chanel: 6", "5:43: network.access_point.chanel", "no key", "channel?"),
        ("baud: 4800", "bauds: 4800", "7:41: links.gnss.bauds", "no key", "baud?"),
        ("-02}", "-02, prot: 1-1}", "9:35: links.wind.adapter.prot", "no key", "port?"),
        ("\nlinks:", "\nfed: {}\nlinks:", "6:1: fed", "no key", "feed?"),
        ("channel: 6", "zzzz: 6", "5:43: network.access_point.zzzz", "no key", "ssid, country"),
        # wrong types
        ("baud: 4800", 'baud: "4800"', "7:47: links.gnss.baud", "whole number", "without quotes"),
        ("channel: 6", "channel: six", "5:52: network.access_point.channel", "text 'six'", ""),
        ("channel: 6", "channel: 6.5", "5:52: network.access_point.channel", "number 6.5", ""),
        ("boat: tern", "boat: [tern]", "1:1: boat", "expected text, found a list", ""),
        ("boat: tern", "boat: 12", "1:7: boat", "found the number 12", 'quote it: "12"'),
        ("{serial: TN-WIND-02}", "wind", "9:14: links.wind.adapter", "keys of its own", ""),
        ("keys: [operator.pub]", "keys: operator.pub", "12:9: access.keys", "a list", ""),
        ("{MWV: 2}", "MWV", "10:12: links.wind.talks", "no sentences", "write a list"),
        ("{MWV: 2}", "{MWV: fast}", "10:18: links.wind.talks.MWV", "a number", ""),
        ("[RMC, GGA]", "[RMC, RMC]", "7:53: links.gnss.talks", "RMC stands here twice", ""),
        ("[RMC, GGA]", "[RMC, gga]", "7:66: links.gnss.talks[1]", "not a sentence formatter", ""),
        ("{MWV: 2}", "{Mwv: 2}", "10:13: links.wind.talks.Mwv", "not a sentence formatter", ""),
        ("{MWV: 2}", "{MWV: 0}", "10:18: links.wind.talks.MWV", "at least 0.001", ""),
        ("channel: 6", "channel: 200", "5:52: network.access_point.channel", "at most 177", ""),
        # what YAML takes for something else
        ("country: GB", "country: NO", "5:39: network.access_point.country", "false", '"NO"'),
        ("ssid: Tern", "ssid: 0123", "5:24: network.access_point.ssid", "number", '"0123"'),
        ("ssid: Tern", "ssid: 12:30:00", "5:24: network.access_point.ssid", "number", '"12:30:00"'),
        ("ssid: Tern", "ssid: 2026-01-01", "5:24: network.access_point.ssid", "a date", "quote"),
        ("channel: 6", "channel: 0b110", "5:52: network.access_point.channel", "decimal", ""),
        ("channel: 6", "channel: " + "9" * 5000, "5:52: network.access_point.channel", "", ""),
        ("{MWV: 2}", "{MWV: .nan}", "10:18: links.wind.talks.MWV", "decimal", ""),
        ("ssid: Tern", "ssid: !env Tern", "5:24: network.access_point.ssid", "tag !env", ""),
        # values that a standard or the trade refuses
        ("baud: 4800", "baud: 4801", "7:47: links.gnss.baud", "4801 is not a baud rate", "38400"),
        ("  wind:", "  ../wind:", "8:3: links.../wind", "not a safe name for a link", ""),
        ("  wind:", "  Wind Vane:", "8:3: links.Wind Vane", "not a safe name for a link", ""),
        ("x86-64", "x86_64", "2:8: board", "not a known board", "did you mean x86-64?"),
        ("x86-64", "abacus", "2:8: board", "not a known board", "bcm2711-rpi-4-b"),
        ("boat: tern", "boat: Arctic Tern", "1:7: boat", "not a host name", ""),
        ("10.47.9.1/24", "10.47.9.1", "4:12: network.address", "no prefix length", "10.47.9.1/24"),
        ("10.47.9.1/24", "10.47.9/24", "4:12: network.address", "not an IPv4 address", ""),
        ("10.47.9.1/24", "8.8.8.8/24", "4:12: network.address", "RFC 1918", ""),
        ("10.47.9.1/24", "10.47.9.255/24", "4:12: network.address", "broadcast", ""),
        ("ssid: Tern", 'ssid: ""', "5:24: network.access_point.ssid", "this one has 0", ""),
        ("ssid: Tern", "ssid: " + "ü" * 17, "5:24: network.access_point.ssid", "one has 34", ""),
        ("ssid: Tern", r'ssid: "a\nb"', "5:24: network.access_point.ssid", "control", ""),
        ("ssid: Tern", r'ssid: "a\ud800"', "5:24: network.access_point.ssid", "half of", ""),
        ("10.47.9.1/24", "10.47.9.1/0.0.0.255", "4:12: network.address", "prefix length", "/24"),
        ("10.47.9.1/24", "10.47.9.1/33", "4:12: network.address", "not an IPv4 address", "/24"),
        ("10.47.9.1/24", "", "4:11: network.address", "nothing is not an IPv4 address", "/24"),
        (
            "{serial: TN-WIND-02}",
            '{port: "1-\N{ARABIC-INDIC DIGIT ONE}"}',
            "9:21: links.wind.adapter.port",
            "USB path",
            "",
        ),
        ("TN-GNSS-01", '"a*b"', "7:28: links.gnss.adapter.serial", "not a serial number", ""),
        ("[operator.pub]", "[ssh-dss AAAA]", "12:10: access.keys[0]", "OpenSSH public key", ""),
        (
            "[operator.pub]",
            "[../operator.pub]",
            "12:10: access.keys[0]",
            "public key",
            "beside the profile",
        ),
        ("[operator.pub]", "[]", "12:3: access.keys", "at least one", ""),
        ("\nlinks:", "\ncard: {size: 32}\nlinks:", "6:14: card.size", "not a size", "32 GB"),
        ("  access_point:", "  wired: bot\n  access_point:", "5:10: network.wired", "", "boat?"),
        ("{serial: TN-WIND-02}", "{interface: 1}", "9:5: links.wind.adapter", "or by port", ""),
        ("TN-WIND-02", "TN-GNSS-01", "9:5: links.wind.adapter", "on one adapter", ":7"),
        ("    talks: {MWV: 2}\n", "", "8:3: links.wind", "neither talks nor listens", ""),
        (
            "[operator.pub]",
            f"[{KEY[:-6]}]",
            "12:10: access.keys[0]",
            "no whole OpenSSH public key",
            "id_*.pub",
        ),
        (
            "  access_point:",
            '  tablets: {mate: {mac: "01:00:5e:00:00:01"}}\n  access_point:',
            "5:25: network.tablets.mate.mac",
            "not a device's hardware address",
            "",
        ),
        (
            "  access_point:",
            '  tablets: {a: {mac: "02:00:00:00:00:01"}, b: {mac: "02:00:00:00:00:01"}}\n'
            "  access_point:",
            "5:53: network.tablets.b.mac",
            "02:00:00:00:00:01 is taken by network.tablets.a.mac already",
            "tern.yml:5",
        ),
        (
            "TN-GNSS-01",
            "usb-MAKER_USB_Serial_AB12-if01-port0",
            "7:28: links.gnss.adapter.serial",
            "not the chip's serial number",
            "serial: AB12, interface: 1",
        ),
        (
            "TN-GNSS-01",
            "/dev/serial/by-id/usb-MAKER_AB12-if00",
            "7:28: links.gnss.adapter.serial",
            "not the chip's serial number",
            "serial: AB12;",
        ),
        # missing keys
        ("boat: tern\n", "", "1:1: boat", "the key boat is missing", ""),
        ("ssid: Tern, ", "", "5:3: network.access_point.ssid", "the key ssid is missing", ""),
        # not YAML
        ("  wind:", "\twind:", "8:1", "a tab", "spaces"),
        ("[RMC, GGA]}", "[RMC, GGA}", "7:69", "not valid YAML", "brackets"),
        ("boat: tern", "boat: tern: x", "1:11", "not valid YAML", "quotes"),
        ("\naccess:", "\n---\naccess:", "11:1", "not valid YAML", "---"),
        ("TN-WIND-02}", "TN-WIND-02}\n    baud: *n", "10:11", "not valid YAML", "quotes"),
        ("boat: tern", "boat: te\x07rn", "1:9", "U+0007", ""),
        ("links:", "? [a]\n: b\nlinks:", "6:3", "a word", ""),
        ("links:", r'"a\eb": c' + "\nlinks:", "6:1", "a word", "control characters"),
        ("ssid: Tern", r'ssid: "\UFFFFFFFF"', "5:27", "out of range", "U0010FFFF"),
    ],
)
def test_each_mistake_is_reported_once_with_its_location(
    tmp_path: Path, old: str, new: str, location: str, message: str, hint: str
) -> None:
    error = refused(tmp_path, old, new)
    told = str(error.location).removeprefix(f"{tmp_path}/tern.yml:")
    assert told == location
    assert message in error.message
    assert hint in error.hint
    assert error.hint


@pytest.mark.parametrize(
    "shown", ["02:00:00:12:34:AB", "02-00-00-12-34-AB", "02-00-00-12-34-ab", "02:00:00:12:34:ab"]
)
def test_a_hardware_address_as_tablets_show_it(tmp_path: Path, shown: str) -> None:
    path = tmp_path / "tern.yml"
    tablets = f'  tablets: {{mate: {{mac: "{shown}"}}}}\n  access_point:'
    path.write_text(GOOD.replace("  access_point:", tablets))
    assert load.read(path).profile.network.tablets["mate"].mac == "02:00:00:12:34:ab"
    two = tablets.replace("}}\n", f'}}, cook: {{mac: "{shown.swapcase()}"}}}}\n')
    path.write_text(GOOD.replace("  access_point:", two))
    (error,) = errors_of(path)
    assert "taken by network.tablets.mate.mac already" in error.message


@pytest.mark.parametrize("shown", ["02:00-00:12:34:ab", "02000012:34ab", "02 00 00 12 34 ab"])
def test_a_hardware_address_that_no_tablet_shows(tmp_path: Path, shown: str) -> None:
    tablets = f'  tablets: {{mate: {{mac: "{shown}"}}}}\n  access_point:'
    assert (
        "not a device's hardware address" in refused(tmp_path, "  access_point:", tablets).message
    )


def test_all_mistakes_are_reported_at_once_in_order(tmp_path: Path) -> None:
    path = tmp_path / "tern.yml"
    text = GOOD.replace("4800", "4801").replace("GB", "NO").replace("x86-64", "x86")
    path.write_text(text + "colour: red\n")
    lines = [error.location.line for error in errors_of(path) if error.location]
    assert lines == [2, 5, 7, 13]


@pytest.mark.parametrize(
    ("text", "message"),
    [("", "empty"), ("# nothing\n", "empty"), ("- a\n", "no keys"), ("tern", "no keys")],
)
def test_a_file_without_keys(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "tern.yml"
    path.write_text(text)
    (error,) = errors_of(path)
    assert message in error.message
    assert str(error.location) == f"{path}:1"


def test_aliases_are_refused_even_within_themselves(tmp_path: Path) -> None:
    path = tmp_path / "tern.yml"
    path.write_text(GOOD.replace("{MWV: 2}", "&a [*a]"))
    assert "an alias is not read here" in [error.message for error in errors_of(path)]


def test_a_missing_file(tmp_path: Path) -> None:
    (error,) = errors_of(tmp_path / "tern.yml")
    assert "No such file" in error.message
    assert str(error.location) == str(tmp_path / "tern.yml")


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    path = tmp_path / "tern.yml"
    path.write_text(GOOD, encoding="utf-8-sig")
    assert load.read(path).name == "tern"


def test_a_file_that_is_not_utf8(tmp_path: Path) -> None:
    path = tmp_path / "tern.yml"
    path.write_bytes(b"boat: tern\nssid: \xff\n")
    (error,) = errors_of(path)
    assert error.location is not None
    assert error.location.line == 2


def test_a_file_that_is_no_text_is_not_read(tmp_path: Path) -> None:
    image = tmp_path / "tern.img"
    with image.open("wb") as file:
        file.truncate(tree.MAX_BYTES + 1)
    pipe = tmp_path / "pipe.yml"
    os.mkfifo(pipe)
    for path, message in (
        (image, "larger than 128 KiB"),
        (pipe, "no plain file"),
        (tmp_path, "no plain"),
    ):
        (error,) = errors_of(path)
        assert message in error.message
        assert error.hint


def test_brackets_without_end_are_no_crash(tmp_path: Path) -> None:
    path = tmp_path / "tern.yml"
    path.write_text("a: " + "[" * 5000)
    assert errors_of(path)


@given(st.text())
def test_no_text_is_a_crash(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = tmp_path_factory.getbasetemp() / "any.yml"
    path.write_text(text, encoding="utf-8", errors="surrogatepass")
    assert errors_of(path)


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["serial", "RMC", "size", "ssid", "x"]), inner, max_size=3
        )
    ),
    max_leaves=5,
)


@given(st.sampled_from(list(load.Profile.model_fields)), JUNK)
def test_no_value_is_a_crash(
    tmp_path_factory: pytest.TempPathFactory, key: str, value: object
) -> None:
    import yaml  # noqa: PLC0415

    path = tmp_path_factory.getbasetemp() / "junk.yml"
    content = {**yaml.safe_load(GOOD), key: value}
    path.write_text(yaml.safe_dump(content, allow_unicode=True), encoding="utf-8")
    try:
        load.read(path)
    except UserError as error:
        assert str(error)


# --- includes ---------------------------------------------------------------------------


def write(folder: Path, **files: str) -> None:
    for name, text in files.items():
        (folder / f"{name}.yml").write_text(textwrap.dedent(text))


def test_own_keys_win_over_included_ones_and_locations_follow(tmp_path: Path) -> None:
    write(
        tmp_path,
        tern="includes: [first.yml, second.yml]\n" + GOOD.replace(", channel: 6", ""),
        first="network: {access_point: {channel: 1, country: FR}}\nfeed: {tcp: 1000}\n",
        second="feed: {tcp: 2000, udp: null}\n",
    )
    boat = load.read(tmp_path / "tern.yml")
    point = boat.profile.network.access_point
    assert (point.country, point.channel) == ("GB", 1)
    assert (boat.profile.feed.tcp, boat.profile.feed.udp) == (2000, None)
    assert boat.location("feed.tcp").file.name == "second.yml"
    assert boat.location("network.access_point.channel").file.name == "first.yml"
    assert boat.location("network.access_point.country").file.name == "tern.yml"


def test_a_mistake_in_an_included_file_is_reported_there(tmp_path: Path) -> None:
    write(tmp_path, tern="includes: [club.yml]\n" + GOOD, club="feed: {tcp: lots}\n")
    (error,) = errors_of(tmp_path / "tern.yml")
    assert str(error.location) == f"{tmp_path}/club.yml:1:13: feed.tcp"


def test_an_included_file_that_is_not_there(tmp_path: Path) -> None:
    write(tmp_path, tern="includes: [clubs.yml]\n" + GOOD, club="feed: {tcp: 2000}\n")
    (error,) = errors_of(tmp_path / "tern.yml")
    assert str(error.location) == f"{tmp_path}/tern.yml:1:12: includes[0]"
    assert error.hint == "did you mean club.yml?"


def test_an_include_loop(tmp_path: Path) -> None:
    write(
        tmp_path,
        tern="includes: [club.yml]\n" + GOOD,
        club="includes: [area.yml]\n",
        area="includes: [club.yml]\n",
    )
    (error,) = errors_of(tmp_path / "tern.yml")
    assert "club.yml -> area.yml -> club.yml" in error.message
    assert str(error.location) == f"{tmp_path}/area.yml:1:12: includes[0]"


def test_a_file_that_includes_itself(tmp_path: Path) -> None:
    write(tmp_path, tern="includes: [tern.yml]\n" + GOOD)
    (error,) = errors_of(tmp_path / "tern.yml")
    assert "include each other" in error.message


def test_one_file_may_be_included_on_two_ways(tmp_path: Path) -> None:
    write(
        tmp_path,
        tern="includes: [a.yml, b.yml]\n" + GOOD,
        a="includes: [c.yml]\n",
        b="includes: [c.yml]\n",
        c="feed: {tcp: 2000}\n",
    )
    assert load.read(tmp_path / "tern.yml").profile.feed.tcp == 2000


CLUB = """\
network: {tablets: {mate: {mac: "02:00:00:00:00:01"}}}
links:
  ais: {adapter: {serial: AI-01}, talks: {VDM: 1, VDO: 1}}
feed: {udp: 2000, prefer: {position: [gnss, ais]}}
log: {}
accepted: {card-size: small}
"""


def test_a_boat_drops_what_an_included_file_has(tmp_path: Path) -> None:
    own = GOOD.replace("links:", "links:\n  ais: null").replace(
        "  access_point:", "  tablets: {mate: ~}\n  access_point:"
    )
    more = "log: null\nfeed: {udp: null, prefer: null}\naccepted: {card-size: null}\n"
    write(tmp_path, tern="includes: [club.yml]\n" + own + more, club=CLUB)
    profile = load.read(tmp_path / "tern.yml").profile
    assert list(profile.links) == ["gnss", "wind"]
    assert (profile.network.tablets, profile.accepted, profile.log) == ({}, {}, None)
    assert (profile.feed.udp, profile.feed.prefer) == (None, None)


def test_a_boat_drops_a_sentence_and_an_included_file_drops_another(tmp_path: Path) -> None:
    own = GOOD.replace("links:", "links:\n  ais: {talks: {VDO: null}}")
    write(
        tmp_path,
        tern="includes: [club.yml, area.yml]\n" + own + "feed: {prefer: null}\n",
        club=CLUB,
        area="log: null\nlinks: {ais: {baud: 38400}}\nnetwork: {tablets: {mate: null}}\n",
    )
    profile = load.read(tmp_path / "tern.yml").profile
    assert list(profile.links["ais"].talks) == ["VDM"]
    assert (profile.network.tablets, profile.log) == ({}, None)


def test_what_is_dropped_has_to_be_there(tmp_path: Path) -> None:
    own = GOOD.replace("links:", "links:\n  asi: null")
    write(tmp_path, tern="includes: [club.yml]\n" + own + "feed: {prefer: null}\n", club=CLUB)
    (error,) = errors_of(tmp_path / "tern.yml")
    assert str(error.location) == f"{tmp_path}/tern.yml:8:3: links.asi"
    assert "no included file has links.asi" in error.message
    assert error.hint == "did you mean ais?"


def test_a_mistake_in_an_included_file_says_which_boat_met_it(tmp_path: Path) -> None:
    """An instrument that the boat has to complete: the file alone would look right."""
    club = "links: {ais: {baud: 38400, talks: [VDM]}}\n"
    own = "includes: [club.yml]\n" + GOOD
    write(tmp_path, tern=own, petrel=own.replace("tern", "petrel"), club=club)
    (error,) = errors_of(tmp_path / "tern.yml")
    assert "the key adapter is missing" in error.message
    assert error.location is not None and error.location.file.name == "club.yml"
    assert f"included by {tmp_path}/tern.yml" in str(error)
    assert error.as_json()["included_by"] == [str(tmp_path / "tern.yml")]
    with pytest.raises(UserError) as caught:
        load.read_all([tmp_path / "tern.yml", tmp_path / "petrel.yml"])
    assert f"included by {tmp_path}/tern.yml, {tmp_path}/petrel.yml" in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "location", "hint"),
    [
        ("access:", "log:\naccess:", "11:1: log", "log: {}"),
        ("access:", "log: # as always\naccess:", "11:1: log", "log: null"),
        ("access:", "steering:\naccess:", "11:1: steering", "steering: null"),
        ("access:", "feed: {udp: }\naccess:", "11:8: feed.udp", "udp: null"),
        ("TN-WIND-02}", "TN-WIND-02, port: }", "9:35: links.wind.adapter.port", "port"),
        ("talks: {MWV: 2}", "talks: {MWV: 2}\n    takes:", "11:5: links.wind.takes", "takes: null"),
    ],
)
def test_a_blank_value_is_reported(
    tmp_path: Path, old: str, new: str, location: str, hint: str
) -> None:
    """A blank value would mean none: no log, without a message."""
    error = refused(tmp_path, old, new)
    assert str(error.location).removeprefix(f"{tmp_path}/tern.yml:") == location
    assert "left blank" in error.message
    assert hint in error.hint


def test_a_blank_value_is_one_error(tmp_path: Path) -> None:
    """The group lacks nothing else: it lacks what the blank is to hold."""
    error = refused(tmp_path, "{serial: TN-WIND-02}", "{serial: }")
    assert "serial is left blank" in error.message
    assert "serial: KW-" in error.hint and "{}" not in error.hint


def test_none_that_is_written_is_no_blank(tmp_path: Path) -> None:
    path = tmp_path / "tern.yml"
    path.write_text(GOOD.replace("access:", "log: null\nsteering: ~\nfeed: {udp: null}\naccess:"))
    assert load.read(path).profile.log is None


def test_the_digest_depends_on_contents_and_not_on_spellings(tmp_path: Path) -> None:
    write(
        tmp_path,
        plain=GOOD,
        spelt=GOOD.replace("[RMC, GGA]", "{GGA: 1.0, RMC: 1}"),
        other=GOOD.replace("channel: 6", "channel: 7"),
    )
    plain, spelt, other = (
        load.read(tmp_path / f"{name}.yml").digest() for name in ("plain", "spelt", "other")
    )
    assert plain == spelt != other


# --- adapters ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "two", "clash"),
    [
        ("serial: A", "serial: A", True),
        ("serial: A", "serial: A, interface: 1", True),
        ("serial: A, interface: 1", "serial: A, interface: 1", True),
        ("serial: A, interface: 0", "serial: A, interface: 1", False),
        ("serial: A", "serial: B", False),
        ("port: 1-1", "port: 1-1", True),
        ("port: 1-1, interface: 0", "port: 1-1, interface: 1", False),
        ("port: 1-1", "port: 1-2", False),
        ("port: 1-1", "port: 1-11", False),
        ("port: 1-1.3", "port: 1-1", True),
        ("serial: A", "port: 1-1", False),
    ],
)
def test_two_links_on_one_adapter(tmp_path: Path, one: str, two: str, clash: bool) -> None:
    path = tmp_path / "tern.yml"
    path.write_text(GOOD.replace("serial: TN-GNSS-01", one).replace("serial: TN-WIND-02", two))
    if clash:
        (error,) = errors_of(path)
        assert "gnss and wind are on one adapter" in error.message
        assert str(error.location) == f"{path}:9:5: links.wind.adapter"
    else:
        assert load.read(path)


# --- finding boats ----------------------------------------------------------------------


@pytest.fixture
def boats(tmp_path: Path) -> Path:
    folder = tmp_path / "boats"
    shutil.copytree(shipped("boats"), folder)
    return folder


def test_the_demo_club_is_read(boats: Path) -> None:
    (boats / "kittiwake.secrets.yml").write_text("not for reading here")
    assert [boat.name for boat in load.read_all(load.list_profiles(boats))] == [
        "dunlin",
        "kittiwake",
        "turnstone",
    ]


def test_a_boat_is_found_by_name_and_by_path(boats: Path) -> None:
    assert load.find("dunlin", boats) == boats / "dunlin.yml"
    assert load.find(str(boats / "dunlin.yml"), Path("elsewhere")) == boats / "dunlin.yml"


@pytest.mark.parametrize(
    ("name", "hint"),
    [("dunlim", "did you mean dunlin?"), ("xyz", "dunlin, kittiwake, turnstone")],
)
def test_a_boat_that_is_not_there(boats: Path, name: str, hint: str) -> None:
    with pytest.raises(UserError) as caught:
        load.find(name, boats)
    assert hint in caught.value.hint


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("dunlin.yml", "did you mean {boats}/dunlin.yml?"),
        ("{boats}/dunlim.yml", "did you mean {boats}/dunlin.yml?"),
        ("./none.yml", "name a boat's file"),
        ("curlew", "call the file curlew.yml"),
    ],
)
def test_where_a_file_was_probably_meant(
    boats: Path, monkeypatch: pytest.MonkeyPatch, name: str, hint: str
) -> None:
    monkeypatch.chdir(boats.parent)
    (boats / "curlew.yaml").write_text(GOOD)
    with pytest.raises(UserError) as caught:
        load.find(name.format(boats=boats), boats)
    assert caught.value.hint == hint.format(boats=boats)


@pytest.mark.parametrize("name", ["x" * 300, "./" + "x" * 300, "loop"])
def test_a_name_that_no_file_can_have(boats: Path, name: str) -> None:
    (boats / "loop.yml").symlink_to("loop.yml")
    with pytest.raises(UserError, match="cannot be read") as caught:
        load.find(name, boats)
    assert caught.value.location and caught.value.hint


def test_what_an_editor_leaves_behind_is_no_boat(boats: Path) -> None:
    """An editor leaves a link that leads nowhere beside an open file."""
    (boats / ".#dunlin.yml").symlink_to("operator@laptop.1234:1700000000")
    (boats / ".dunlin.yml").write_text(GOOD)
    assert [file.stem for file in load.list_profiles(boats)] == ["dunlin", "kittiwake", "turnstone"]


def test_unreadable_files_are_reported_and_nothing_hangs(boats: Path) -> None:
    (boats / "loop.yml").symlink_to("loop.yml")
    os.mkfifo(boats / "pipe.yml")
    errors = []
    for file in load.list_profiles(boats):
        try:
            load.read(file)
        except UserError as error:
            errors.append(error)
    assert [error.location.file.stem for error in errors if error.location] == ["loop", "pipe"]


def test_a_boat_that_is_here(boats: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The operator stands in the folder itself."""
    monkeypatch.chdir(boats)
    with pytest.raises(UserError) as caught:
        load.find("dunlin", Path("boats"))
    assert caught.value.hint == "did you mean the file dunlin.yml?"
    assert load.find("dunlin.yml", Path("boats")) == Path("dunlin.yml")


def test_a_boat_in_no_folder(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"there is no folder .*none") as caught:
        load.find("dunlin", tmp_path / "none")
    assert f"provision init {tmp_path / 'none'}" in caught.value.hint
    with pytest.raises(UserError, match="there is no boat dunlin"):
        load.find("dunlin", tmp_path)


def test_a_path_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no such file"):
        load.find("./none.yml", tmp_path)


def test_the_mistakes_of_a_whole_club_are_reported_at_once(boats: Path) -> None:
    for name in ("dunlin", "kittiwake"):
        file = boats / f"{name}.yml"
        file.write_text(file.read_text().replace("board:", "bord:"))
    with pytest.raises(UserErrors) as caught:
        load.read_all(load.list_profiles(boats))
    assert [error.location.file.stem for error in caught.value.errors if error.location] == [
        "dunlin",
        "kittiwake",
    ]
