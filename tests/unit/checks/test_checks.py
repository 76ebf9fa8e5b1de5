# SPDX-License-Identifier: GPL-3.0-or-later
"""Each check finds its fault, at its place, and nothing in the demo club."""

from __future__ import annotations

import shutil
import struct
from pathlib import Path

import pytest

from provision import boards, checks
from provision.card.layout.partitions import Layout
from provision.checks.links import baud
from provision.checks.network import regdb, wifi
from provision.checks.power import usb
from provision.paths import shipped
from provision.profile import load
from tests.unit.checks.tern import boat, found, links


def rules(*spans: tuple[int, int, int]) -> bytes:
    """A regulatory database with one country, GB; spans are start and end in MHz, flags."""
    country, collection = 8, 16
    data = b"RGDB" + struct.pack(">I2sH2sH", 20, b"GB", collection // 4, b"\0\0", 0)
    assert len(data) == country + 8
    first = (collection + 4 + 2 * len(spans) + 3) // 4
    data += struct.pack(">BBBx", 3, len(spans), 0)
    data += b"".join(struct.pack(">H", first + 4 * number) for number in range(len(spans)))
    data = data.ljust(first * 4, b"\0")
    for start, end, flags in spans:
        data += struct.pack(">BBHIII", 16, flags, 2000, start * 1000, end * 1000, 40000)
    return data


#: 2.4 GHz up to channel 13; 5 GHz indoors, then with radar detection, then no access points.
EUROPE = rules((2400, 2484, 0), (5150, 5250, 2), (5250, 5350, 4 | 2), (5725, 5850, 8))


@pytest.fixture(autouse=True)
def table(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(regdb, "read_installed", lambda: regdb.parse(EUROPE))


def test_nothing_is_found_in_the_demo_club(tmp_path: Path) -> None:
    shutil.copytree(shipped("boats"), tmp_path / "boats")
    assert checks.check(load.read_all(load.list_profiles(tmp_path / "boats"))) == []


def test_nothing_is_found_in_the_good_boat(tmp_path: Path) -> None:
    assert found(boat(tmp_path)) == []


# --- the club ---------------------------------------------------------------------------


def test_two_boats_with_one_address_or_name(tmp_path: Path) -> None:
    """Findings like all others: they hide none of these."""
    (tmp_path / "far").mkdir()
    one = boat(tmp_path)
    two = boat(tmp_path, ("tern\n", "petrel\n"), ("Tern", "Petrel"), name="petrel")
    three = boat(tmp_path / "far", ("9.1/24", "8.1/24"), ("Tern", "Third"), ("l: 6", "l: 15"))
    told = checks.check([one, two, three])
    assert [(str(one.location), one.level, one.message) for one in told] == [
        (
            f"{tmp_path}/petrel.yml:4:12: network.address",
            "error",
            "tern and petrel have one address, 10.47.9.1",
        ),
        (
            f"{tmp_path}/far/tern.yml:5:53: network.access_point.channel",
            "error",
            "there is no 20 MHz channel 15",
        ),
        (f"{tmp_path}/far/tern.yml:1:7: boat", "error", "two boats are called tern"),
    ]
    assert all(f"{tmp_path}/tern.yml:" in one.hint for one in (told[0], told[2]))


def test_a_forgotten_copy_stops_no_boat_and_hides_nothing(tmp_path: Path) -> None:
    tern = boat(tmp_path, ("channel: 6", "channel: 15"))
    copy = boat(tmp_path, name="tern copy")
    told = checks.check([tern], [copy])
    assert [(one.level, one.check) for one in told] == [
        ("error", "wifi-channel"),
        ("warning", "same-name.tern copy.yml"),
    ]
    assert str(tmp_path / "tern copy.yml") in told[1].message
    assert told[1].hint
    accepted = ("access:", 'accepted: {"same-name.tern copy.yml": for next year}\naccess:')
    assert checks.check([boat(tmp_path, accepted)], [copy]) == []


def test_a_boat_named_twice_is_one_boat(tmp_path: Path) -> None:
    assert found(boat(tmp_path), boat(tmp_path)) == []


def test_one_ssid_or_one_network_on_two_boats(tmp_path: Path) -> None:
    one = boat(tmp_path)
    two = boat(tmp_path, ("tern\n", "petrel\n"), ("9.1/24", "9.2/25"), name="petrel")
    assert found(one, two) == [("warning", "same-ssid.tern"), ("warning", "same-network.tern")]


def test_the_secrets_of_another_boat(tmp_path: Path) -> None:
    one = boat(tmp_path)
    two = boat(tmp_path, ("tern\n", "petrel\n"), ("9.1/", "8.1/"), ("Tern", "P"), name="petrel")
    for name, content in (("tern", "$ANSIBLE_VAULT;1.1"), ("petrel", "$ANSIBLE_VAULT;1.1")):
        (tmp_path / f"{name}.secrets.yml").write_text(content)
    (finding,) = checks.check([one, two])
    assert (finding.level, finding.check) == ("error", "same-secrets.tern")
    assert finding.location.file == tmp_path / "petrel.secrets.yml"
    # As it stands, from any folder.
    assert finding.hint.startswith(f"provision keys {tmp_path}/petrel.yml --rotate")
    (tmp_path / "petrel.secrets.yml").write_text("another salt")
    assert checks.check([one, two]) == []


# --- names ------------------------------------------------------------------------------


def test_a_file_that_is_not_called_as_its_boat(tmp_path: Path) -> None:
    (finding,) = checks.check([boat(tmp_path, name="petrel")])
    assert (finding.level, finding.check) == ("error", "file-name")
    assert finding.hint == "call the file tern.yml, or the boat petrel"
    assert str(finding.location) == f"{tmp_path}/petrel.yml:1:7: boat"


@pytest.mark.parametrize("name", ["localhost", '"2026"'])
def test_host_names_with_another_meaning(tmp_path: Path, name: str) -> None:
    assert found(boat(tmp_path, ("boat: tern", f"boat: {name}"), name=name.strip('"'))) == [
        ("error", "boat-name")
    ]


def tablets(*names: str) -> tuple[str, str]:
    entries = (f'{name}: {{mac: "02:00:00:12:34:{n:02x}"}}' for n, name in enumerate(names))
    return "network:", f"network:\n  tablets: {{{', '.join(entries)}}}"


@pytest.mark.parametrize("name", ["tern", "localhost", "ignore", "infinite", "45", "2h", "10d"])
def test_tablets_whose_names_mean_something_else(tmp_path: Path, name: str) -> None:
    (finding,) = checks.check([boat(tmp_path, tablets("mate", name))])
    assert (finding.level, finding.check) == ("error", f"tablet-name.{name}")
    assert finding.location.key == f"network.tablets.{name}"
    assert finding.hint


def test_tablets_with_ordinary_names(tmp_path: Path) -> None:
    names = ("ignored", "h2", "2nd", "local-1", "boat", "m")
    assert found(boat(tmp_path, tablets(*names))) == []


def test_more_tablets_than_the_network_has_room_for(tmp_path: Path) -> None:
    small = ("9.1/24", "9.1/28")
    assert found(boat(tmp_path, small, tablets("a", "b", "c"))) == []
    (finding,) = checks.check([boat(tmp_path, small, tablets("a", "b", "c", "d"))])
    assert (finding.level, finding.check) == ("error", "tablets")
    assert str(finding.location).endswith("tern.yml:4:3: network.tablets")
    assert "shorter prefix" in finding.hint


# --- who may log in ---------------------------------------------------------------------


def test_keys_that_cannot_be_had(tmp_path: Path) -> None:
    """All but the operator's, which `provision keys` makes."""
    (tmp_path / "junk.pub").write_text("ssh-ed25519 AAAA\n")
    tern = boat(tmp_path, ("[operator.pub]", "[operator.pub, mate.pub, junk.pub]"))
    told = checks.check([tern])
    assert [(one.level, one.check) for one in told] == [("error", "access-key")] * 2
    assert str(told[0].location).endswith("tern.yml:9:24: access.keys[1]")
    assert str(told[1].location).endswith("junk.pub:1: access.keys[2]")
    assert all(finding.hint for finding in told)
    (tmp_path / "operator.pub").write_text("")
    assert len(checks.check([tern])) == 3


# --- load of a link ---------------------------------------------------------------------


def test_the_share_of_a_full_link() -> None:
    """Six of 67 characters and two of 82 a second, through 480 a second (IEC 61162-1)."""
    assert baud.load_share({"GGA": 6.0, "PXYZ": 2.0}, 4800) == pytest.approx(
        (6 * 67 + 2 * 82) / 480
    )


@pytest.mark.parametrize(
    ("rate", "expected"),
    [
        ("6.3", []),
        ("6.5", [("warning", "link-load.speed")]),
        ("8", [("warning", "link-load.speed")]),
        ("8.1", [("error", "link-load.speed")]),
    ],
)
@pytest.mark.parametrize("way", ["talks", "listens"])
def test_a_link_that_is_crowded_or_too_full(
    tmp_path: Path, way: str, rate: str, expected: list[tuple[str, str]]
) -> None:
    # 60 characters a time, of 480 a second
    entry = f"speed: {{adapter: {{serial: S}}, {way}: {{VHW: {rate}, HDM: {rate}}}}}"
    assert found(boat(tmp_path, links(entry))) == expected


def test_a_higher_baud_rate_has_room(tmp_path: Path) -> None:
    entry = "speed: {adapter: {serial: S}, baud: 38400, talks: {VHW: 10, HDM: 10}}"
    assert found(boat(tmp_path, links(entry))) == []


def test_a_full_link_is_reported_with_its_rates(tmp_path: Path) -> None:
    entry = "ais: {adapter: {serial: S}, talks: {VDM: 12}}"
    (finding,) = checks.check([boat(tmp_path, links(entry))])
    assert str(finding.location) == f"{tmp_path}/tern.yml:8:31: links.ais.talks"
    assert finding.message.startswith("ais sends more than 4800 baud can carry: 1")
    assert "38400" in finding.hint


# --- USB --------------------------------------------------------------------------------


def adapters(number: int) -> list[str]:
    """Links on `number` further adapters."""
    return [f"l{i}: {{adapter: {{serial: S{i}}}, talks: [RSA]}}" for i in range(number)]


def test_more_adapters_than_sockets(tmp_path: Path) -> None:
    assert found(boat(tmp_path, links(*adapters(3)))) == []
    assert found(boat(tmp_path, links(*adapters(4)))) == [("error", "usb-ports")]


def test_a_chip_with_several_ports_is_one_adapter(tmp_path: Path) -> None:
    entries = [
        f"q{i}: {{adapter: {{serial: QUAD, interface: {i}}}, talks: [RSA]}}" for i in range(4)
    ]
    assert found(boat(tmp_path, links(*entries, *adapters(2)))) == []


@pytest.mark.parametrize(
    ("hubs", "number", "expected"),
    [
        ("{a: {ports: 7, own_supply: true}}", 9, []),
        ("{a: {ports: 7, own_supply: true}}", 10, [("error", "usb-ports")]),
        ("{a: {ports: 16, own_supply: true}}", 18, []),
        # adapters in all: as many as the board has sockets, and one more
        ("{a: {ports: 4, own_supply: false}}", 3, []),
        ("{a: {ports: 4, own_supply: false}}", 4, [("warning", "usb-hub-supply")]),
        ("{a: {ports: 4, own_supply: false}}", 6, [("warning", "usb-hub-supply")]),
        ("{a: {ports: 7, own_supply: false}}", 3, [("error", "usb-power.a")]),
        # two hubs and ten adapters from 1200 mA
        (
            "{a: {ports: 4, own_supply: false}, b: {ports: 4, own_supply: false}}",
            9,
            [("warning", "usb-hub-supply")],
        ),
        (
            "{a: {ports: 4, own_supply: false}, b: {ports: 4, own_supply: false},"
            " c: {ports: 4, own_supply: false}}",
            9,
            [("error", "usb-power"), ("warning", "usb-hub-supply")],
        ),
    ],
)
def test_hubs(tmp_path: Path, hubs: str, number: int, expected: list[tuple[str, str]]) -> None:
    """The board has 4 ports and 1.2 A (board maker's hardware documentation, from memory)."""
    tern = boat(tmp_path, links(*adapters(number)), ("access:", f"usb: {{hubs: {hubs}}}\naccess:"))
    assert found(tern) == expected


def test_more_hubs_than_sockets(tmp_path: Path) -> None:
    hubs = ", ".join(f"h{i}: {{ports: 4, own_supply: true}}" for i in range(5))
    tern = boat(tmp_path, ("access:", f"usb: {{hubs: {{{hubs}}}}}\naccess:"))
    assert found(tern) == [("error", "usb-ports")]


def devices(*entries: str) -> tuple[str, str]:
    return "access:", f"usb: {{devices: {{{', '.join(entries)}}}}}\naccess:"


@pytest.mark.parametrize(
    ("entries", "expected"),
    [
        # beside one adapter of 100 mA, from 1200 mA and 500 mA a port
        (["stick: {milliamps: 500}"], []),
        (["stick: {}"], []),
        (["screen: {milliamps: 501}"], [("error", "usb-share.screen")]),
        (["screen: {milliamps: 2000, own_supply: true}"], []),
        (["a: {milliamps: 500}", "b: {milliamps: 500}", "c: {milliamps: 100}"], []),
        (
            ["a: {milliamps: 500}", "b: {milliamps: 500}", "c: {milliamps: 101}"],
            [("error", "usb-power")],
        ),
        (
            ["a: {own_supply: true}", "b: {own_supply: true}", "c: {own_supply: true}"],
            [],
        ),
        (
            [f"{one}: {{own_supply: true}}" for one in "abcd"],
            [("error", "usb-ports")],
        ),
    ],
)
def test_devices(tmp_path: Path, entries: list[str], expected: list[tuple[str, str]]) -> None:
    """USB 2.0 specification: at most 500 mA a port. The board's 1.2 A is from memory."""
    assert found(boat(tmp_path, devices(*entries))) == expected


def test_a_hub_with_a_supply_feeds_the_hungriest(tmp_path: Path) -> None:
    usb_key = (
        "access:",
        "usb: {hubs: {a: {ports: 2, own_supply: true}}, "
        "devices: {b: {milliamps: 500}, c: {milliamps: 500}, d: {milliamps: 400}}}\naccess:",
    )
    loads = usb.usb_loads(boat(tmp_path, usb_key))
    assert set(loads.on_hubs) == {"usb.devices.b", "usb.devices.c"}
    assert loads.board_ma == 400 + 100
    assert loads.total_ma == 1500


def test_those_of_more_than_a_unit_load_need_the_boards_own_sockets(tmp_path: Path) -> None:
    """A port of a bus-powered hub gives 100 mA (USB 2.0 specification)."""
    hubs = ", ".join(f"h{i}: {{ports: 2, own_supply: false}}" for i in range(3))

    def with_devices(*milliamps: int) -> load.Boat:
        each = ", ".join(f"d{i}: {{milliamps: {much}}}" for i, much in enumerate(milliamps))
        usb_key = f"usb: {{hubs: {{{hubs}}}, devices: {{{each}}}}}\naccess:"
        return boat(tmp_path, ("access:", usb_key))

    assert found(with_devices(200, 100)) == []
    assert found(with_devices(200, 101)) == [("error", "usb-shares")]


def test_an_adapter_may_draw_more_than_a_unit_load(tmp_path: Path) -> None:
    entries = ["a: {adapter: {serial: A, milliamps: 500}, talks: [RSA]}"]
    assert found(boat(tmp_path, links(*entries))) == []
    entries = ["a: {adapter: {serial: A, milliamps: 501}, talks: [RSA]}"]
    assert found(boat(tmp_path, links(*entries))) == [("error", "usb-share.a")]


def test_the_unit_load_is_that_of_the_specification() -> None:
    """USB 2.0 specification: unit load 100 mA, at most 500 mA from a port."""
    assert usb.UNIT_LOAD_MA == 100
    assert usb.MAX_PORT_MA == 500
    assert usb.UNIT_LOAD_MA * (usb.BUS_POWERED_PORTS + 1) == 500


# --- card -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("size", "expected"),
    [
        (f"{(Layout('gpt', 'any').size - 1) // 10**8 / 10} GB", [("error", "card-size")]),
        ("8 GB", [("warning", "card-size")]),
        ("16 GB", []),
        ("0.5 TB", []),
    ],
)
def test_card_size(tmp_path: Path, size: str, expected: list[tuple[str, str]]) -> None:
    tern = boat(tmp_path, ("access:", f"card: {{size: {size}}}\naccess:"))
    assert found(tern) == expected


# --- Wi-Fi ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("channel", "level", "words"),
    [
        (1, None, ""),
        (13, None, ""),
        (14, "error", "channel 14 in GB is not allowed"),
        (15, "error", "no 20 MHz channel 15"),
        (37, "error", "no 20 MHz channel 37"),
        (36, "warning", "indoor use only"),
        (52, "error", "radar detection"),
        (149, "error", "not allowed for an access point"),
        (165, "error", "not allowed for an access point"),
        (100, "error", "channel 100 in GB is not allowed"),
    ],
)
def test_channels(tmp_path: Path, channel: int, level: str | None, words: str) -> None:
    findings = checks.check([boat(tmp_path, ("channel: 6", f"channel: {channel}"))])
    assert [finding.level for finding in findings] == ([level] if level else [])
    for finding in findings:
        assert words in finding.message
        assert finding.location.key == "network.access_point.channel"


def test_a_country_that_the_kernel_does_not_know(tmp_path: Path) -> None:
    assert found(boat(tmp_path, ("country: GB", "country: QQ"))) == [("error", "wifi-country")]


def test_a_band_that_the_radio_has_not(tmp_path: Path) -> None:
    tern = boat(tmp_path, ("bcm2711-rpi-4-b", "bcm2837-rpi-3-b"), ("channel: 6", "channel: 36"))
    (finding,) = checks.check([tern])
    assert "has no 5 GHz band" in finding.message


@pytest.mark.parametrize(
    ("country", "channel", "expected"),
    [
        ("GB", 11, []),
        ("GB", 13, [("warning", "wifi-unchecked")]),
        ("US", 11, []),
        ("US", 12, [("error", "wifi-channel")]),
        ("JP", 14, [("error", "wifi-channel")]),
        ("US", 36, [("warning", "wifi-unchecked")]),
        ("US", 52, [("error", "wifi-channel")]),
        ("GB", 144, [("error", "wifi-channel")]),
    ],
)
def test_channels_without_the_kernels_table(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    country: str,
    channel: int,
    expected: list[tuple[str, str]],
) -> None:
    monkeypatch.setattr(regdb, "read_installed", lambda: None)
    tern = boat(tmp_path, ("country: GB, channel: 6", f"country: {country}, channel: {channel}"))
    assert found(tern) == expected


@pytest.mark.parametrize(("more", "expected"), [(0, []), (1, [("warning", "wifi-clients")])])
def test_more_tablets_than_the_radio_serves(
    tmp_path: Path, more: int, expected: list[tuple[str, str]]
) -> None:
    number = boards.board("bcm2711-rpi-4-b").wifi.clients + more
    entries = ", ".join(f't{i}: {{mac: "02:00:00:00:00:{i:02x}"}}' for i in range(number))
    tern = boat(tmp_path, ("network:", f"network:\n  tablets: {{{entries}}}"))
    assert found(tern) == expected


@pytest.mark.parametrize(
    ("channel", "megahertz"),
    [(1, 2412), (6, 2437), (13, 2472), (14, 2484), (36, 5180), (165, 5825)],
)
def test_frequencies(channel: int, megahertz: int) -> None:
    """IEEE Std 802.11, channel numbers and centre frequencies."""
    assert wifi.channel_frequency(channel) == megahertz


# --- accepted ---------------------------------------------------------------------------


def test_an_accepted_warning_is_left_out(tmp_path: Path) -> None:
    more = 'card: {size: 8 GB}\naccepted: {card-size: "the only one in the drawer"}\naccess:'
    assert found(boat(tmp_path, ("access:", more))) == []


def test_an_error_cannot_be_accepted_and_a_stale_entry_is_reported(tmp_path: Path) -> None:
    tern = boat(
        tmp_path,
        links(*adapters(4)),
        ("access:", "accepted: {usb-ports: never mind, card-size: old}\naccess:"),
    )
    assert found(tern) == [
        ("error", "usb-ports"),
        ("warning", "accepted"),
        ("warning", "accepted"),
    ]


# --- the regulatory database --------------------------------------------------------------


@pytest.mark.parametrize(
    "data", [b"", b"RGDB", b"RGDB\0\0\0\x13" + b"\0" * 8, EUROPE[:-1], b"XXXX" + EUROPE[4:]]
)
def test_a_damaged_database_is_refused(data: bytes) -> None:
    with pytest.raises(ValueError, match="regulatory database"):
        regdb.parse(data)


@pytest.mark.skipif(
    not any(file.exists() for file in regdb.TABLE_FILES), reason="needs the package wireless-regdb"
)
def test_what_the_kernel_itself_enforces() -> None:
    """The wireless-regdb package's regulatory.db: the cases that boats run into."""
    file = next(file for file in regdb.TABLE_FILES if file.exists())
    table = regdb.parse(file.read_bytes())

    def allowed(country: str, channel: int) -> bool:
        centre = wifi.channel_frequency(channel)
        assert centre is not None
        rule = regdb.find_rule(table[country], centre)
        return rule is not None and not (rule.radar or rule.no_initiate or rule.no_ofdm)

    barred = {
        c
        for c in table
        if not all(allowed(c, channel) for channel in wifi.CHANNELS_ALLOWED_EVERYWHERE)
    }
    # One country's whole 2.4 GHz band is marked for radar detection.
    assert barred <= {"TG"}
    assert set(wifi.COUNTRIES_WITHOUT_12_13) <= set(table)
    assert allowed("GB", 13)
    assert not allowed("US", 12)
    assert not allowed("GB", 14)
    assert not allowed("JP", 14)
    assert not allowed("GB", 52)
