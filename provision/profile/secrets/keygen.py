# SPDX-License-Identifier: GPL-3.0-or-later
"""Make a boat's secrets and the operator's key pair."""

from __future__ import annotations

import secrets as random
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_ssh_private_key,
)

from provision.errors import Location, UserError
from provision.profile import load
from provision.profile.access_keys import OPERATOR
from provision.profile.secrets import private_file
from provision.profile.secrets import store as secrets
from provision.profile.secrets.store import Secrets

Secret = Literal["pass_phrase", "host_key"]

#: Four words of five letters give 2 ** 65 pass-phrases. That is enough against guessing from a
#: recorded handshake, and easy to type on a phone. No letter looks like a digit.
CONSONANTS = "bdfghjkmnprstvz"
VOWELS = "aeiou"
PASS_PHRASE_WORDS = 4

#: Number of former host keys to remember: a boat may have missed as many rotations.
MAX_FORMER_HOST_KEYS = 5


@dataclass(frozen=True)
class MadeKeys:
    """List the keys and pass-phrases that `make_keys` made. The others were there already."""

    secrets: Path
    created: tuple[str, ...]
    """Of pass_phrase, host_key, the names of tablets with a pass-phrase of their own, operator."""


def make_keys(profile: Path, key: bytes, rotate: Collection[str] = ()) -> MadeKeys:
    """Make the boat's secrets and the operator's key pair where they do not exist.

    `profile` is the boat's file, `key` the vault password. Only what `rotate` names is overwritten:
    pass_phrase, host_key, or a tablet with a pass-phrase of its own.
    """
    file = secrets.secrets_path(profile)
    tablets = load.read(profile).profile.own_pass_phrases
    check_rotation(rotate, tablets)
    fresh: list[str] = []
    if not file.exists():
        own = {name: generate_pass_phrase() for name in tablets}
        made = Secrets(
            pass_phrase=generate_pass_phrase(),
            host_key=generate_private_key(),
            own_pass_phrases=own,
        )
        secrets.write(profile, made, key)
        fresh += ["pass_phrase", "host_key", *tablets]
    else:
        # Also where there is nothing to make: a wrong vault password is found out here.
        kept = secrets.read(profile, key)
        new = [name for name in tablets if name in rotate or name not in kept.own_pass_phrases]
        fresh += [*(name for name in ("pass_phrase", "host_key") if name in rotate), *new]
        if fresh:
            changed = Secrets(
                pass_phrase=generate_pass_phrase() if "pass_phrase" in rotate else kept.pass_phrase,
                host_key=generate_private_key() if "host_key" in rotate else kept.host_key,
                own_pass_phrases={
                    **kept.own_pass_phrases,
                    **{name: generate_pass_phrase() for name in new},
                },
                former_host_keys=remember_host_key(kept)
                if "host_key" in rotate
                else kept.former_host_keys,
            )
            secrets.write(profile, changed, key, replace=True)
    if make_operator(profile.parent):
        fresh.append(OPERATOR)
    return MadeKeys(file, tuple(fresh))


def check_rotation(rotate: Collection[str], tablets: Collection[str]) -> None:
    """Refuse to rotate a secret that does not exist. `tablets` have own pass-phrases."""
    known = [*get_args(Secret), *tablets]
    for name in rotate:
        if name not in known:
            raise UserError(
                f"there is no secret {name}",
                hint=f"the secrets are {', '.join(known)}; a tablet's own pass-phrase is called "
                "by the tablet's name",
            )


def remember_host_key(kept: Secrets) -> tuple[str, ...]:
    """Return the host keys to remember when the host key of `kept` is replaced."""
    return (secrets.host_public_key(kept), *kept.former_host_keys)[:MAX_FORMER_HOST_KEYS]


def make_operator(boats: Path) -> bool:
    """Make the operator's key pair in a folder of boats. Return False if it exists.

    A public key without its private half belongs to another operator. Leave it alone.
    """
    private_half, public_half = boats / OPERATOR, boats / f"{OPERATOR}.pub"
    if public_half.exists():
        return False
    if not private_half.exists():
        private_file.write(private_half, generate_private_key().encode())
    try:
        key = load_ssh_private_key(private_file.read(private_half), password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise UserError(
            "is no private key in OpenSSH's format, or has a pass-phrase",
            location=Location(private_half),
            hint=f"put its public half beside it, as {public_half.name}",
        ) from None
    line = key.public_key().public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH)
    private_file.write(public_half, line + f" {OPERATOR}\n".encode())
    public_half.chmod(0o644)
    return True


def generate_pass_phrase() -> str:
    """Return a new pass-phrase of four words that is easy to read out and type."""
    return "-".join(
        "".join(random.choice(CONSONANTS if i % 2 == 0 else VOWELS) for i in range(5))
        for _ in range(PASS_PHRASE_WORDS)
    )


def generate_private_key() -> str:
    """Return a new ed25519 private key in OpenSSH's format."""
    key = Ed25519PrivateKey.generate()
    return key.private_bytes(Encoding.PEM, PrivateFormat.OpenSSH, NoEncryption()).decode()
