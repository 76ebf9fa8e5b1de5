# SPDX-License-Identifier: GPL-3.0-or-later
"""Replace all secrets of a boat after its card was lost or stolen."""

from __future__ import annotations

from pathlib import Path

from provision.paths import argument
from provision.profile import load
from provision.profile.secrets import stolen, store
from provision.profile.secrets.keygen import (
    OPERATOR,
    MadeKeys,
    generate_pass_phrase,
    generate_private_key,
    make_operator,
)
from provision.profile.secrets.store import Secrets


def replace_all_secrets(profile: Path, key: bytes) -> MadeKeys:
    """Replace every secret of a boat, and keep none of the former ones.

    `profile` is the boat's file, `key` the vault password. The boat's record
    (`provision.profile.secrets.stolen`) refuses the public halves of the former host keys. It is
    written first: when this is interrupted, the former secrets are refused already. The
    operator's key pair stays, for only its public half was on the card.
    """
    file = store.secrets_path(profile)
    tablets = load.read(profile).profile.own_pass_phrases
    former: tuple[str, ...] = ()
    if file.exists():
        before = store.read(profile, key)
        former = (store.host_public_key(before), *before.former_host_keys)
    stolen.record_loss(profile, former)
    made = Secrets(
        pass_phrase=generate_pass_phrase(),
        host_key=generate_private_key(),
        own_pass_phrases={name: generate_pass_phrase() for name in tablets},
    )
    store.write(profile, made, key, replace=True)
    operator = (OPERATOR,) if make_operator(profile.parent) else ()
    return MadeKeys(file, ("pass_phrase", "host_key", *tablets, *operator))


def next_steps(profile: Path) -> list[str]:
    """List what to do with a boat after `replace_all_secrets`, in lines."""
    called, name = argument(profile), profile.stem
    return [
        f"no push goes out to {name} until it has a new card:",
        f"  provision card {called} -o {name}.img",
        f"  provision write {name}.img DEVICE",
        f"destroy images and spare cards of {name} from before; give tablets the new pass-phrase",
    ]
