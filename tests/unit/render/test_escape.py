# SPDX-License-Identifier: GPL-3.0-or-later
"""No value of a profile can add a line to a file, or come out changed."""

from __future__ import annotations

import fnmatch
import json
import string
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jinja2 import Environment, UndefinedError
from pydantic import ValidationError

from provision.errors import UserError
from provision.profile.load import Boat
from provision.profile.schema.boat import Profile
from provision.profile.secrets.store import Secrets
from provision.render import File, Settings, escape, render
from provision.render.render import _make_environment
from tests.support.render_rig import KEY, SECRETS, boat, profile, text

FOLDER = Path("boats")
HOSTILE = (
    "line\nbreak",
    "carriage\rreturn",
    "nul\0",
    "next\x85line",
    "line\u2028separator",
    'quote"',
    "back\\slash",
    "hash # comment",
    "$(reboot)",
    "${HOME}",
    "%n",
    "a b",
    "{{ psk }}",
    "{% raw %}",
    "-option",
    "[section]",
    "*",
    "",
)


def lines_of(settings: Settings) -> dict[str, int]:
    return {
        path: entry.content.count(b"\n")
        for path, entry in settings.files.items()
        if isinstance(entry, File)
    }


def with_ssid(ssid: str) -> Settings:
    radio = {"ssid": ssid, "country": "GB"}
    return render(boat(FOLDER, network={"access_point": radio}), SECRETS)


PLAIN = lines_of(with_ssid("Kittiwake"))


@given(st.text(min_size=1, max_size=32))
def test_an_ssid_is_refused_or_reaches_hostapd_as_its_very_octets(ssid: str) -> None:
    try:
        settings = with_ssid(ssid)
    except ValidationError:
        return
    assert lines_of(settings) == PLAIN
    conf = dict(
        line.split("=", 1)
        for line in text(settings, "/etc/hostapd/boat.conf").splitlines()
        if "=" in line and not line.startswith("#")
    )
    assert bytes.fromhex(conf["ssid2"]) == ssid.encode()


@pytest.mark.parametrize(
    "ssid", ['"Gull"', "a#b", "$PATH", "🐦" * 8, "ä" * 16, " both ends ", "x" * 32, "'", "\\n"]
)
def test_ssids_that_must_arrive(ssid: str) -> None:
    conf = text(with_ssid(ssid), "/etc/hostapd/boat.conf")
    assert f"ssid2={ssid.encode().hex()}\n" in conf


@pytest.mark.parametrize(
    ("pass_phrase", "ssid", "psk"),
    [
        ("password", "IEEE", "f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e"),
        (
            "ThisIsAPassword",
            "ThisIsASSID",
            "0dc0d6eb90555ed6419756b9a15ec3e3209b63df707dd508d14581f8982721af",
        ),
        (
            "a" * 32,
            "Z" * 32,
            "becb93866bb8c3832cb777c2f559807c8c59afcb6eae734885001300a981cc62",
        ),
    ],
)
def test_hostapd_gets_the_key_that_stations_derive(pass_phrase: str, ssid: str, psk: str) -> None:
    """IEEE Std 802.11, PSK test vectors; recomputed with PBKDF2-HMAC-SHA1, 4096 rounds."""
    radio = {"ssid": ssid, "country": "GB"}
    secrets = Secrets(pass_phrase=pass_phrase, host_key=SECRETS.host_key)
    settings = render(boat(FOLDER, network={"access_point": radio}), secrets)
    assert f"\nwpa_psk={psk}\n" in text(settings, "/etc/hostapd/boat.conf")


@pytest.mark.parametrize("ssid", ["two\nlines", "\r", "\0", "🐦" * 8 + "x", ""])
def test_ssids_that_must_be_refused(ssid: str) -> None:
    with pytest.raises(ValidationError):
        with_ssid(ssid)


@pytest.mark.parametrize("hostile", HOSTILE)
@pytest.mark.parametrize(
    "path",
    [
        ("boat",),
        ("board",),
        ("network", "address"),
        ("network", "access_point", "country"),
        ("network", "tablets", "chart-table", "mac"),
        ("links", "gnss", "adapter", "serial"),
        ("links", "wind", "adapter", "port"),
        ("access", "keys", 0),
    ],
    ids=lambda path: ".".join(map(str, path)),
)
def test_no_field_carries_hostile_text_into_a_file(
    path: tuple[str | int, ...], hostile: str
) -> None:
    content = profile(
        network={"tablets": {"chart-table": {"mac": "02:00:00:12:34:56"}}},
        links={
            "gnss": {"adapter": {"serial": "A"}, "talks": ["RMC"]},
            "wind": {"adapter": {"port": "1-1"}, "talks": ["MWV"]},
        },
    ).model_dump(mode="json", exclude={"card"})
    as_given = Profile.model_validate(content)
    target = content
    for step in path[:-1]:
        target = target[step]
    target[path[-1]] = hostile
    try:
        settings = render(
            Boat(Profile.model_validate(content), FOLDER / "kittiwake.yml", {}), SECRETS
        )
    except (ValidationError, UserError):
        return
    # A serial number may start with a hyphen; there it is harmless.
    assert (path[-1], hostile) == ("serial", "-option")
    assert '"-option"' in text(settings, "/etc/udev/rules.d/70-boat.rules")
    plain = render(Boat(as_given, FOLDER / "kittiwake.yml", {}), SECRETS)
    assert lines_of(settings) == lines_of(plain)


@pytest.mark.parametrize("hostile", HOSTILE)
@pytest.mark.parametrize("where", ["links", "tablets"])
def test_no_name_carries_hostile_text_into_a_file(where: str, hostile: str) -> None:
    with pytest.raises((ValidationError, UserError)):
        if where == "links":
            links = {hostile: {"adapter": {"serial": "A"}, "talks": ["RMC"]}}
            render(boat(FOLDER, links=links), SECRETS)
        else:
            tablets = {hostile: {"mac": "02:00:00:12:34:56"}}
            render(boat(FOLDER, network={"tablets": tablets}), SECRETS)


@given(st.text(alphabet=st.characters(min_codepoint=32, max_codepoint=126), max_size=40))
def test_a_key_comment_stays_on_its_line(comment: str) -> None:
    key = f"{KEY} {comment}"
    settings = render(boat(FOLDER, access={"keys": [key]}), SECRETS)
    assert text(settings, "/etc/ssh/authorized_keys/root") == f"{key}\n"


# The filters themselves, for values that the models would not let through.


@given(st.text())
def test_a_word_is_as_given_or_refused(value: str) -> None:
    try:
        written = escape.word(value)
    except UserError:
        return
    assert written == value
    assert set(written) <= set(string.ascii_letters + string.digits + "._:/+@-")


@given(st.text(min_size=1), st.text())
def test_a_udev_pattern_matches_its_value_alone(value: str, other: str) -> None:
    try:
        written = escape.udev_match(value)
    except UserError:
        return
    assert written[0] == written[-1] == '"' and '"' not in written[1:-1]
    # udev matches with fnmatch(3).
    assert fnmatch.fnmatchcase(value, written[1:-1])
    assert fnmatch.fnmatchcase(other, written[1:-1]) == (other == value)


@given(st.text())
def test_a_line_is_as_given_or_refused(value: str) -> None:
    try:
        written = escape.line(value)
    except UserError:
        return
    assert written == value and written.splitlines() == [value]


@given(st.recursive(st.text() | st.integers() | st.none(), st.lists, max_leaves=9))
def test_json_reads_back(value: object) -> None:
    assert json.loads(escape.as_json(value)) == value


@pytest.mark.parametrize("value", [True, 1.5, "1", None])
def test_a_number_is_a_number(value: object) -> None:
    with pytest.raises(UserError):
        escape.number(value)


def test_a_value_without_a_filter_is_refused() -> None:
    with pytest.raises(TypeError, match="filter"):
        _make_environment().from_string("{{ name }}").render(name="gnss")
    with pytest.raises(TypeError, match="filter"):
        _make_environment().from_string("{{ (name | word) ~ tail }}").render(name="gnss", tail="\n")
    # What Jinja itself would have done, so that the two above are known to be ours.
    assert Environment(autoescape=True).from_string("{{ name }}").render(name="gnss") == "gnss"


def test_a_name_that_is_not_there_is_refused() -> None:
    with pytest.raises(UndefinedError):
        _make_environment().from_string("{{ nothing | word }}").render()
    with pytest.raises(UndefinedError):
        _make_environment().from_string("{% if nothing %}{% endif %}").render()
