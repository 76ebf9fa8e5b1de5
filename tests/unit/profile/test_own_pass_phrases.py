# SPDX-License-Identifier: GPL-3.0-or-later
"""A tablet's own pass-phrase: in the profile, in the secrets, made and rotated by `keys`."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from provision.errors import UserError
from provision.paths import shipped
from provision.profile import load
from provision.profile.secrets import keygen, store
from provision.profile.secrets.store import Secrets
from tests.support.profiles import change

KEY = b"password"
TABLETS = """\
network:
  tablets:
    chart-table: {mac: "02:00:00:12:34:56", own_pass_phrase: true}
    helm: {mac: "02:00:00:12:34:57", own_pass_phrase: true}
    galley: {mac: "02:00:00:12:34:58"}
"""


@pytest.fixture
def kittiwake(tmp_path: Path) -> Path:
    """Give the demo club's boat with two tablets that have their own pass-phrases, and a third."""
    shutil.copytree(shipped("boats"), tmp_path / "boats")
    file = tmp_path / "boats" / "kittiwake.yml"
    change(file, ("network:\n", TABLETS))
    return file


def test_keys_makes_one_for_each_tablet_that_has_its_own(kittiwake: Path) -> None:
    made = keygen.make_keys(kittiwake, KEY)
    assert made.created == ("pass_phrase", "host_key", "chart-table", "helm", "operator")
    kept = store.read(kittiwake, KEY)
    assert list(kept.own_pass_phrases) == ["chart-table", "helm"]
    assert len({kept.pass_phrase, *kept.own_pass_phrases.values()}) == 3
    assert not any(each in repr(kept) for each in kept.own_pass_phrases.values())
    assert keygen.make_keys(kittiwake, KEY).created == ()


def test_a_tablet_that_is_added_later_gets_its_own_and_nothing_else_changes(
    kittiwake: Path,
) -> None:
    text = kittiwake.read_text()
    kittiwake.write_text(text.replace("own_pass_phrase: true", "own_pass_phrase: false"))
    keygen.make_keys(kittiwake, KEY)
    before = store.read(kittiwake, KEY)
    assert before.own_pass_phrases == {}
    kittiwake.write_text(text)
    assert keygen.make_keys(kittiwake, KEY).created == ("chart-table", "helm")
    after = store.read(kittiwake, KEY)
    assert after.model_copy(update={"own_pass_phrases": {}}) == before


@pytest.mark.parametrize("name", ["pass_phrase", "host_key", "chart-table", "helm"])
def test_rotating_changes_one_alone(kittiwake: Path, name: str) -> None:
    keygen.make_keys(kittiwake, KEY)
    before = store.read(kittiwake, KEY)
    assert keygen.make_keys(kittiwake, KEY, rotate=[name]).created == (name,)
    after = store.read(kittiwake, KEY)
    changed = {
        *(tablet for tablet, own in before.own_pass_phrases.items()
          if own != after.own_pass_phrases[tablet]),
        *(field for field in ("pass_phrase", "host_key")
          if getattr(before, field) != getattr(after, field)),
    }  # fmt: skip
    assert changed == {name}


def test_a_tablet_without_its_own_cannot_be_rotated(kittiwake: Path) -> None:
    keygen.make_keys(kittiwake, KEY)
    with pytest.raises(UserError) as caught:
        keygen.make_keys(kittiwake, KEY, rotate=["galley"])
    assert caught.value.message == "there is no secret galley"
    assert "pass_phrase, host_key, chart-table, helm" in caught.value.hint


@pytest.mark.parametrize(
    "own",
    [
        {"chart-table": "the boat's own one"},
        {"chart-table": "one for the two", "helm": "one for the two"},
        {"chart-table": "short"},
        {"chart-table": "umlaut: nordöstlich"},
    ],
)
def test_pass_phrases_that_hostapd_would_confuse_are_refused(own: dict[str, str]) -> None:
    host_key = keygen.generate_private_key()
    with pytest.raises(ValueError, match="own_pass_phrases"):
        Secrets(pass_phrase="the boat's own one", host_key=host_key, own_pass_phrases=own)
    fit = {"chart-table": "another good one"}
    Secrets(pass_phrase="the boat's own one", host_key=host_key, own_pass_phrases=fit)


@pytest.mark.parametrize(("length", "fits"), [(31, True), (32, False)])
def test_a_name_is_no_longer_than_hostapd_remembers(
    kittiwake: Path, length: int, fits: bool
) -> None:
    """hostapd refuses a psk file with a longer keyid, and would not start."""
    kittiwake.write_text(kittiwake.read_text().replace("chart-table", "c" * length))
    if fits:
        assert "c" * length in load.read(kittiwake).profile.own_pass_phrases
        return
    with pytest.raises(UserError) as caught:
        load.read(kittiwake)
    assert "too long a name" in caught.value.message
    assert caught.value.hint == "use at most 31 characters"
