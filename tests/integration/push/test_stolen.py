# SPDX-License-Identifier: GPL-3.0-or-later
"""A stolen card behind a real sshd, with all that was on it: it is sent nothing new.

The thief's computer is a whole boat of the rig: it shows the boat's host key, lets the operator
in and takes settings as the boat does.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from provision.profile.secrets import stolen, store, vault
from provision.profile.secrets.keygen import generate_private_key, make_keys, remember_host_key
from provision.profile.secrets.replace_all import replace_all_secrets
from provision.profile.secrets.store import Secrets, derive_psk, host_public_key
from provision.push.options import PushOptions
from provision.push.push import push
from provision.push.records.known_boats import recall
from provision.push.result import Outcome
from provision.push.status import fleet_status
from provision.verify import runner
from tests.support.command import Call
from tests.support.push.loopback import RigBoat, wait_for

KEY = b"correct horse"

#: A suite that passes without a word.
PROVER = 'print(\'{"summary": "well"}\')'

Rig = Callable[..., RigBoat]


def with_secrets(boat: RigBoat) -> RigBoat:
    """Return the same boat, with its secrets in the folder of the boats as well."""
    password = boat.file.with_name(vault.PASSWORD_FILE)
    password.unlink(missing_ok=True)
    password.touch(0o600)
    password.write_bytes(KEY)
    store.write(boat.file, boat.secrets, KEY, replace=True)
    return boat


def opened(boat: RigBoat) -> Secrets:
    return store.read(boat.file, KEY)


def logins(boat: RigBoat) -> int:
    """Return how often the computer in the boat's place was logged in to."""
    return (boat.folder / "sshd.log").read_text().count("Accepted publickey")


def holds(boat: RigBoat, new: Secrets) -> list[str]:
    """Return the files of the computer in the boat's place that hold one of these secrets."""
    ssid = boat.open_boat.boat.profile.network.access_point.ssid
    needles = [
        *(new.pass_phrase, derive_psk(new.pass_phrase, ssid), *new.own_pass_phrases.values()),
        *(derive_psk(one, ssid) for one in new.own_pass_phrases.values()),
        *new.host_key.splitlines()[2:-1],
    ]
    files = [file for file in boat.folder.rglob("*") if file.is_file()]
    return [
        str(file) for file in files if any(one.encode() in file.read_bytes() for one in needles)
    ]


@pytest.fixture(scope="module")
def thief(rig: Rig) -> Iterator[RigBoat]:
    """Give the stolen card, in a computer that answers in the boat's place."""
    boat = with_secrets(rig("gull"))
    tablet = {"mac": "02:00:00:12:34:56", "own_pass_phrase": True}
    boat.change({"chart-table": tablet}, "network", "tablets")
    make_keys(boat.file, KEY)
    return boat


def test_an_ordinary_rotation_hands_the_new_pass_phrase_to_it(
    thief: RigBoat, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The secrets that the other tests look for are found here."""
    monkeypatch.setattr(runner, "command", lambda job: [sys.executable, "-c", PROVER, str(job)])
    make_keys(thief.file, KEY, ["pass_phrase"])
    thief.secrets = opened(thief)
    (result,) = push([thief.open_boat], PushOptions(at={"gull": thief.endpoint}, timer=60))
    assert result.outcome is Outcome.KEPT, result
    assert holds(thief, thief.secrets)
    assert recall(thief.file) is not None


def sent_nothing(thief: RigBoat, call: Call, words: str) -> None:
    """Call a command about a boat whose secrets were made again; the thief learns nothing by it."""
    thief.secrets, before = opened(thief), logins(thief)
    at = ["--at", f"gull={thief.endpoint}"] if not words.startswith("keys") else []
    said = call(*words.split(), "--boats", thief.file.parent, *at)
    assert said.status == 0 if words.startswith("keys") else said.status in (1, 2), said
    assert holds(thief, opened(thief)) == holds(thief, thief.secrets) == []
    assert logins(thief) == before


@pytest.mark.parametrize(
    "words",
    [
        *("push gull", "push --all", "push gull --dry-run", "push gull --stage"),
        *("push gull --former-key", "fleet", "fleet gull --former-key", "verify gull"),
        *("keys gull", "keys gull --rotate pass_phrase", "keys gull --rotate host_key"),
    ],
)
def test_a_stolen_card_gets_no_new_secret(thief: RigBoat, call: Call, words: str) -> None:
    call("keys", "gull", "--stolen", "--yes", "--boats", thief.file.parent)
    sent_nothing(thief, call, words)


@pytest.mark.parametrize("words", ["push gull", "push gull --stage --former-key", "verify gull"])
def test_nor_does_it_where_the_record_of_the_loss_is_missing(
    thief: RigBoat, call: Call, words: str
) -> None:
    """The laptop connects, and refuses the host key that the thief shows."""
    call("keys", "gull", "--stolen", "--yes", "--boats", thief.file.parent)
    record = stolen.record_path(thief.file)
    text = record.read_bytes()
    record.unlink()
    try:
        sent_nothing(thief, call, words)
        assert not record.exists()
    finally:
        record.write_bytes(text)


def test_a_push_says_why_and_what_to_do_and_the_others_go(
    thief: RigBoat, rig: Rig, call: Call, tmp_path: Path
) -> None:
    boats, other = thief.file.parent, with_secrets(rig("tern"))
    call("keys", "gull", "--stolen", "--yes", "--boats", boats)
    at = ["--at", f"gull={thief.endpoint}", "--at", f"tern={other.endpoint}"]
    said = call("push", "--all", "--stop-after", "1", "--boats", boats, *at, "--json")
    ended = {one["boat"]: one for one in said.result["boats"]}
    assert ended["tern"]["outcome"] == "unchanged", said
    assert ended["gull"]["outcome"] == "refused"
    assert "was lost or stolen" in ended["gull"]["reason"]
    assert "provision write gull.img" in ended["gull"]["hint"]
    first = call("push", "--all", "--first", "gull", "--boats", boats, *at)
    assert first.status == 2 and "was lost or stolen" in first.err
    laid_out = call("inventory", "gull", "tern", "-o", tmp_path / "out", "--boats", boats)
    assert laid_out.status == 2 and "was lost or stolen" in laid_out.err
    assert not (tmp_path / "out").exists()


def test_the_fleet_names_the_stolen_card_where_it_answers(thief: RigBoat) -> None:
    replace_all_secrets(thief.file, KEY)
    thief.secrets = opened(thief)
    (status,) = fleet_status([thief.open_boat], {"gull": thief.endpoint}, former=True)
    assert "shows the host key of a card of gull's that was lost or stolen" in status.reason
    assert any("no push goes out" in one for one in status.health_issues)
    assert status.refused and not status.up_to_date
    record = stolen.read_record(thief.file)
    assert record is not None and not record.new_card


def test_a_boat_that_answers_with_the_new_host_key_has_a_new_card(rig: Rig, call: Call) -> None:
    """The card was written on another computer. From then on pushes go out again."""
    boat = with_secrets(rig("petrel", up=False))
    replace_all_secrets(boat.file, KEY)
    boat.secrets = opened(boat)
    boat.change("petrel two", "network", "access_point", "ssid")
    words = ("--boats", boat.file.parent, "--at", f"petrel={boat.endpoint}", "--json")
    assert call("push", "petrel", *words).result["boats"][0]["outcome"] == "refused"
    # As a new card leaves the boat.
    old = boat.root.with_name("old")
    boat.root.rename(old)
    boat.change("petrel one", "network", "access_point", "ssid")
    boat.boot()
    process = boat.listen()
    try:
        wait_for(boat.port)
        assert call("push", "petrel", *words).result["boats"][0]["outcome"] == "refused"
        (row,) = call("fleet", "petrel", *words).result["boats"]
        assert row["ok"], row
        assert call("push", "petrel", *words).result["boats"][0]["outcome"] == "unchanged"
    finally:
        process.terminate()
        process.wait()


def test_no_key_from_before_is_accepted_or_kept(rig: Rig) -> None:
    boat = with_secrets(rig("skua", up=False))
    old = boat.secrets
    rotated = {"host_key": generate_private_key(), "former_host_keys": remember_host_key(old)}
    boat.secrets = old.model_copy(update=rotated)
    with_secrets(boat)
    replace_all_secrets(boat.file, KEY)
    new = opened(boat)
    assert new.former_host_keys == () and new.own_pass_phrases == {}
    assert new.pass_phrase != old.pass_phrase
    record = json.loads(stolen.record_path(boat.file).read_text())
    assert record["host_keys"] == [host_public_key(boat.secrets), host_public_key(old)]
    for gone in (old, boat.secrets):
        boat.secrets = new
        text = boat.open_boat.render().archive
        assert not any(line.encode() in text for line in gone.host_key.splitlines()[2:-1])


def test_the_secrets_of_a_stolen_card_are_refused_everywhere(
    rig: Rig, call: Call, tmp_path: Path
) -> None:
    """Secrets from another copy of the folder are refused. Only `keys --stolen` opens them."""
    boat = with_secrets(rig("dipper", up=False))
    replace_all_secrets(boat.file, KEY)
    with_secrets(boat)
    for words in (
        ("push", "dipper"),
        ("fleet", "dipper"),
        ("verify", "dipper"),
        ("card", "dipper", "-o", tmp_path / "dipper.img"),
        ("render", "dipper", "-o", tmp_path / "files"),
    ):
        said = call(*words, "--boats", boat.file.parent)
        assert said.status == 2
        assert "secrets of a card that was lost or stolen" in said.err
    assert not list(tmp_path.iterdir())
    assert call("keys", "dipper", "--stolen", "--yes", "--boats", boat.file.parent).status == 0
    assert opened(boat).host_key != boat.secrets.host_key
