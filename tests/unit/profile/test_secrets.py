# SPDX-License-Identifier: GPL-3.0-or-later
"""Secrets are made once, kept private, and opened by the right password only."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from unittest.mock import Mock

import pytest
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from provision.errors import UserError
from provision.paths import shipped
from provision.profile import access_keys, load
from provision.profile.schema.types import MIN_RSA_BITS
from provision.profile.secrets import keygen, private_file, store, vault
from tests.support.profiles import contents, kittiwake

KEY = b"correct horse"

#: Of a key made for this test and thrown away.
PUBLIC = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIMguC1qBhgWvRN+gCtjg0iu3yxwkuCayK22C0QQZN3S+"

#: IEEE Std 802.11, PSK test vectors (annex on suggested pass-phrase mapping).
PSK = [
    ("password", "IEEE", "f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e"),
    (
        "ThisIsAPassword",
        "ThisIsASSID",
        "0dc0d6eb90555ed6419756b9a15ec3e3209b63df707dd508d14581f8982721af",
    ),
    ("a" * 32, "Z" * 32, "becb93866bb8c3832cb777c2f559807c8c59afcb6eae734885001300a981cc62"),
]

__all__ = ["kittiwake"]


def mode(file: Path) -> int:
    return file.stat().st_mode & 0o777


@pytest.mark.parametrize(("pass_phrase", "ssid", "expected"), PSK)
def test_psk(pass_phrase: str, ssid: str, expected: str) -> None:
    assert store.derive_psk(pass_phrase, ssid) == expected


def test_keys_are_made_private_and_read_back(kittiwake: Path) -> None:
    made = keygen.make_keys(kittiwake, KEY)
    assert made.created == ("pass_phrase", "host_key", "operator")
    assert made.secrets == kittiwake.parent / "kittiwake.secrets.yml"
    assert mode(made.secrets) == 0o600
    assert mode(kittiwake.parent / "operator") == 0o600
    read = store.read(kittiwake, KEY)
    assert re.fullmatch(r"[a-z]{5}(-[a-z]{5}){3}", read.pass_phrase)
    assert read.pass_phrase.encode() not in made.secrets.read_bytes()
    assert read.pass_phrase not in repr(read)
    assert "PRIVATE KEY" not in repr(read)
    left = {file.name for file in kittiwake.parent.iterdir()} - {
        file.name for file in shipped("boats").iterdir()
    }
    assert left <= {"kittiwake.secrets.yml", "operator", "operator.pub"}


def test_nothing_is_overwritten(kittiwake: Path) -> None:
    keygen.make_keys(kittiwake, KEY)
    before = contents(kittiwake.parent)
    assert keygen.make_keys(kittiwake, KEY).created == ()
    assert contents(kittiwake.parent) == before


@pytest.mark.parametrize("name", ["pass_phrase", "host_key"])
def test_rotating_changes_the_one_named(kittiwake: Path, name: keygen.Secret) -> None:
    keygen.make_keys(kittiwake, KEY)
    before = store.read(kittiwake, KEY).model_dump()
    assert keygen.make_keys(kittiwake, KEY, rotate=[name]).created == (name,)
    after = store.read(kittiwake, KEY).model_dump()
    changed = {key for key in before if before[key] != after[key]}
    assert changed == {name, *(["former_host_keys"] if name == "host_key" else [])}
    assert mode(store.secrets_path(kittiwake)) == 0o600


def test_host_keys_that_were_rotated_away_are_remembered(kittiwake: Path) -> None:
    """The record holds as many keys as a boat may have slept through."""
    keygen.make_keys(kittiwake, KEY)
    had = [store.host_public_key(store.read(kittiwake, KEY))]
    for _ in range(keygen.MAX_FORMER_HOST_KEYS + 1):
        keygen.make_keys(kittiwake, KEY, rotate=["host_key"])
        had.insert(0, store.host_public_key(store.read(kittiwake, KEY)))
    assert store.read(kittiwake, KEY).former_host_keys == tuple(
        had[1 : keygen.MAX_FORMER_HOST_KEYS + 1]
    )


def test_the_operators_public_half_comes_back_from_the_private_one(kittiwake: Path) -> None:
    keygen.make_keys(kittiwake, KEY)
    public = kittiwake.parent / "operator.pub"
    before = public.read_bytes()
    public.unlink()
    assert keygen.make_keys(kittiwake, KEY).created == ("operator",)
    assert public.read_bytes() == before


@pytest.mark.parametrize("content", ["", "junk\n", "with a pass-phrase"])
def test_an_operators_key_that_cannot_be_used(kittiwake: Path, content: str) -> None:
    file = kittiwake.parent / "operator"
    private_file.write(file, content.encode())
    if content == "with a pass-phrase":
        file.unlink()
        subprocess.run(
            ["ssh-keygen", "-q", "-t", "ed25519", "-N", "canary", "-f", file], check=True
        )
        file.with_suffix(".pub").unlink()
    with pytest.raises(UserError, match="no private key") as caught:
        keygen.make_keys(kittiwake, KEY)
    assert caught.value.location
    assert caught.value.location.file == file
    assert "operator.pub" in caught.value.hint


def test_another_operators_public_key_is_left_alone(kittiwake: Path) -> None:
    (kittiwake.parent / "operator.pub").write_text("ssh-ed25519 AAAA another")
    assert "operator" not in keygen.make_keys(kittiwake, KEY).created
    assert not (kittiwake.parent / "operator").exists()


def test_public_halves_agree_with_ssh_keygen(kittiwake: Path, tmp_path: Path) -> None:
    keygen.make_keys(kittiwake, KEY)
    read = store.read(kittiwake, KEY)
    file = tmp_path / "host_key"
    private_file.write(file, read.host_key.encode())
    done = subprocess.run(
        ["ssh-keygen", "-y", "-f", file], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == store.host_public_key(read).split()


def test_a_wrong_password(kittiwake: Path) -> None:
    keygen.make_keys(kittiwake, KEY)
    with pytest.raises(UserError, match="password does not open it") as caught:
        store.read(kittiwake, b"wrong")
    assert caught.value.location
    assert caught.value.location.file == store.secrets_path(kittiwake)
    with pytest.raises(UserError):
        keygen.make_keys(kittiwake, b"wrong", rotate=["host_key"])


@pytest.mark.parametrize("loose", [0o644, 0o664, 0o755])
def test_an_encrypted_file_may_be_read_by_all(kittiwake: Path, loose: int) -> None:
    """So it lies in a clone, or on a stick; a key that is not encrypted is refused there."""
    keygen.make_keys(kittiwake, KEY)
    made = store.read(kittiwake, KEY)
    store.secrets_path(kittiwake).chmod(loose)
    assert store.read(kittiwake, KEY) == made
    assert keygen.make_keys(kittiwake, KEY, rotate=["pass_phrase"]).created == ("pass_phrase",)
    assert store.secrets_path(kittiwake).stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("loose", [0o640, 0o604, 0o620, 0o644])
def test_loose_permissions_are_refused(kittiwake: Path, loose: int) -> None:
    keygen.make_keys(kittiwake, KEY)
    file = kittiwake.with_name("operator")
    file.with_suffix(".pub").unlink()
    file.chmod(loose)
    with pytest.raises(UserError, match=f"{loose:04o}") as caught:
        keygen.make_keys(kittiwake, KEY)
    assert caught.value.hint == f"chmod 600 {file}"


def test_no_secrets_yet(kittiwake: Path) -> None:
    with pytest.raises(UserError) as caught:
        store.read(kittiwake, KEY)
    assert caught.value.hint == f"provision keys {kittiwake}"


def test_secrets_in_plain_text_are_refused(kittiwake: Path) -> None:
    private_file.write(store.secrets_path(kittiwake), b"pass_phrase: hunter22\n")
    with pytest.raises(UserError, match="not encrypted") as caught:
        store.read(kittiwake, KEY)
    assert caught.value.hint.startswith("ansible-vault encrypt")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("pass_phrase: 1234567890\nhost_key: x", "pass_phrase: has to be text in quotes"),
        ("pass_phrase: canary7\nhost_key: x", "pass_phrase: has to be 8 to 63"),
        ("pass_phrase: canary-é-canary\nhost_key: x", "pass_phrase: has to be 8 to 63"),
        (f"pass_phrase: canary{'y' * 58}\nhost_key: x", "pass_phrase: has to be 8 to 63"),
        ("pass_phrase: canary-canary\nhost_key: canary", "host_key: has to be an ed25519"),
        ("pass_phrase: canary-canary", "host_key: is missing"),
        ("canary: [", "holds no valid YAML"),
        ("canary: 2026-13-45", "holds no valid YAML"),
        (r'canary: "\UFFFFFFFF"', "holds no valid YAML"),
        ("canary: " + "[" * 3000, "holds no valid YAML"),
        ("- canary", "holds no keys"),
    ],
)
def test_wrong_secrets_are_reported_without_quoting_them(
    kittiwake: Path, text: str, message: str
) -> None:
    private_file.write(store.secrets_path(kittiwake), vault.encrypt(text, KEY))
    with pytest.raises(UserError) as caught:
        store.read(kittiwake, KEY)
    assert message in str(caught.value)
    assert "canary" not in str(caught.value)
    assert "1234567890" not in str(caught.value)


@pytest.mark.parametrize(
    "pass_phrase", ["8 chars!", "~" * 63, "\"#$ \\ ' %", "  spaces  ", "a: b # c"]
)
def test_any_allowed_pass_phrase_survives(kittiwake: Path, pass_phrase: str) -> None:
    kept = store.Secrets(pass_phrase=pass_phrase, host_key=keygen.generate_private_key())
    store.write(kittiwake, kept, KEY)
    assert store.read(kittiwake, KEY) == kept


def test_a_host_key_arrives_as_sshd_reads_it(tmp_path: Path) -> None:
    """A stray character around the key would keep sshd from starting."""
    key = keygen.generate_private_key()
    for spoilt in (key.replace("\n", "\r\n"), f"\n\n{key}\n\n", key.replace("\n", " \n")):
        kept = store.Secrets(pass_phrase="canary canary", host_key=spoilt)
        assert kept.host_key == key
    for spoilt in (f"junk\n{key}", f"{key}junk\n", key + key):
        with pytest.raises(ValueError, match="ed25519"):
            store.Secrets(pass_phrase="canary canary", host_key=spoilt)


def test_pass_phrases_differ() -> None:
    assert len({keygen.generate_pass_phrase() for _ in range(1000)}) == 1000


# --- where the vault password comes from --------------------------------------------------


def test_password_sources_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("option", "variable", vault.PASSWORD_FILE):
        private_file.write(tmp_path / name, f"{name}\n".encode())
    monkeypatch.setenv(vault.PASSWORD_FILE_VARIABLE, str(tmp_path / "variable"))
    assert vault.read_password(tmp_path, tmp_path / "option") == b"option"
    assert vault.read_password(tmp_path) == b"variable"
    monkeypatch.delenv(vault.PASSWORD_FILE_VARIABLE)
    assert vault.read_password(tmp_path) == vault.PASSWORD_FILE.encode()


def test_a_password_file_that_runs(tmp_path: Path) -> None:
    script = tmp_path / "ask"
    script.write_text("#!/bin/sh\necho from-a-program\n")
    script.chmod(0o755)
    assert vault.read_password(tmp_path, script) == b"from-a-program"


def test_a_loose_password_file_is_refused(tmp_path: Path) -> None:
    file = tmp_path / vault.PASSWORD_FILE
    file.write_text("x")
    file.chmod(0o644)
    with pytest.raises(UserError, match="0644"):
        vault.read_password(tmp_path)


def test_no_password_and_no_terminal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(vault.PASSWORD_FILE_VARIABLE, raising=False)
    with open(os.devnull) as nothing:
        monkeypatch.setattr(sys, "stdin", nothing)
        with pytest.raises(UserError) as caught:
            vault.read_password(tmp_path)
    assert "--vault-password-file" in caught.value.hint


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (["canary", "canary"], ""),
        (["canary", "canery"], "differ"),
        ([""], "no vault password"),
        ([EOFError()], "no vault password"),
        (["canary", EOFError()], "no vault password"),
    ],
)
def test_a_password_that_is_typed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, typed: list[str | EOFError], said: str
) -> None:
    monkeypatch.delenv(vault.PASSWORD_FILE_VARIABLE, raising=False)
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: True))
    monkeypatch.setattr(vault.getpass, "getpass", Mock(side_effect=typed))
    if not said:
        assert vault.read_password(tmp_path, twice=True) == b"canary"
        return
    with pytest.raises(UserError, match=said) as caught:
        vault.read_password(tmp_path, twice=True)
    assert caught.value.hint


@pytest.mark.parametrize("content", [None, b"", b"\n"])
def test_a_password_file_without_password(tmp_path: Path, content: bytes | None) -> None:
    file = tmp_path / "password"
    if content is not None:
        private_file.write(file, content)
    with pytest.raises(UserError):
        vault.read_password(tmp_path, file)


# --- private files ------------------------------------------------------------------------


def test_a_private_file_is_not_replaced_unasked(tmp_path: Path) -> None:
    private_file.write(tmp_path / "a", b"one")
    with pytest.raises(UserError, match="is there already"):
        private_file.write(tmp_path / "a", b"two")
    assert private_file.read(tmp_path / "a") == b"one"
    private_file.write(tmp_path / "a", b"two", replace=True)
    assert private_file.read(tmp_path / "a") == b"two"
    assert [file.name for file in tmp_path.iterdir()] == ["a"]


def test_a_private_file_in_no_folder(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="cannot be written"):
        private_file.write(tmp_path / "none" / "a", b"one")


# --- who may log in -----------------------------------------------------------------------


def test_access_keys_are_resolved_beside_the_profile(kittiwake: Path) -> None:
    boat = load.read(kittiwake)
    with pytest.raises(UserError) as caught:
        access_keys.read_access_keys(boat)
    assert f"provision keys {kittiwake} makes" in caught.value.hint
    assert caught.value.location == boat.location("access.keys[0]")
    keygen.make_keys(kittiwake, KEY)
    (line,) = access_keys.read_access_keys(boat)
    assert line == (kittiwake.parent / "operator.pub").read_text().strip()


@pytest.mark.parametrize(
    ("content", "line"),
    [
        ("ssh-ed25519\n", 1),
        ("", 1),
        (f"{PUBLIC}\n{PUBLIC[:-4]}\n", 2),
        (f"\n\nssh-rsa {PUBLIC.split()[1]}\n", 3),
        (f'command="reboot" {PUBLIC}\n', 1),
        (f"{PUBLIC} turned\u202earound\n", 1),
    ],
)
def test_a_public_key_file_with_something_else(kittiwake: Path, content: str, line: int) -> None:
    file = kittiwake.parent / "operator.pub"
    file.write_text(content)
    with pytest.raises(UserError, match="no OpenSSH public key") as caught:
        access_keys.read_access_keys(load.read(kittiwake))
    assert str(caught.value.location) == f"{file}:{line}: access.keys[0]"
    assert "ssh-keygen" in caught.value.hint


@pytest.mark.parametrize(("bits", "taken"), [(1024, False), (2048, True)])
def test_an_rsa_key_that_the_boat_would_refuse(kittiwake: Path, bits: int, taken: bool) -> None:
    """Found before the boat is built, and not when somebody cannot log in."""
    key = rsa.generate_private_key(public_exponent=65537, key_size=bits).public_key()
    line = key.public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH).decode()
    (kittiwake.parent / "operator.pub").write_text(f"{line} mate\n")
    boat = load.read(kittiwake)
    if taken:
        assert access_keys.read_access_keys(boat) == [f"{line} mate"]
    else:
        with pytest.raises(UserError, match="RSA key below 2048 bits"):
            access_keys.read_access_keys(boat)
    assert MIN_RSA_BITS == 2048


def test_public_key_files_may_have_several_keys_and_any_names(kittiwake: Path) -> None:
    lines = [PUBLIC, f"{PUBLIC} skippér@café"]
    (kittiwake.parent / "operator.pub").write_text("\r\n\r\n".join(lines))
    assert access_keys.read_access_keys(load.read(kittiwake)) == lines
