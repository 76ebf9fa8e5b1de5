# SPDX-License-Identifier: GPL-3.0-or-later
"""Keys that a push has revoked do not come back when the kept settings are damaged."""

from __future__ import annotations

import errno
import hashlib
import os
from pathlib import Path

import pytest

from provision.onboard.settings.errors import SettingsError
from provision.onboard.settings.status import read_status
from provision.onboard.settings.store.keep import keep
from provision.onboard.settings.store.revoked import AUTHORIZED_KEYS, revokes
from provision.onboard.settings.store.state import (
    load_kept_settings,
    read_pointer,
    read_pointer_file,
)
from provision.onboard.settings.trial import start_trial
from tests.support.settings.boat import OLD, Boat, Tree, ask, pack

HOST_KEY = "/etc/ssh/ssh_host_ed25519_key"
ANNA, BRAM = b"ssh-ed25519 anna\n", b"ssh-ed25519 bram\n"

BOTH: Tree = {**OLD, AUTHORIZED_KEYS: (0o644, ANNA + BRAM), HOST_KEY: (0o600, b"key one\n")}

REVOKING: dict[str, Tree] = {
    "a login": {**BOTH, AUTHORIZED_KEYS: (0o644, ANNA)},
    "all logins": {path: file for path, file in BOTH.items() if path != AUTHORIZED_KEYS},
    "a login for another": {**BOTH, AUTHORIZED_KEYS: (0o644, ANNA + b"ssh-ed25519 cora\n")},
    "the host key": {**BOTH, HOST_KEY: (0o600, b"key two\n")},
    "a secret file": {path: file for path, file in BOTH.items() if path != HOST_KEY},
    "who may read a secret": {**BOTH, HOST_KEY: (0o600, b"key three\n")},
}
NOT_REVOKING: dict[str, Tree] = {
    "a host name": {**BOTH, "/etc/hostname": (0o644, b"other\n")},
    "one more login": {**BOTH, AUTHORIZED_KEYS: (0o644, ANNA + BRAM + b"ssh-ed25519 cora\n")},
    "logins in another order": {**BOTH, AUTHORIZED_KEYS: (0o644, BRAM + ANNA)},
    "one more secret": {**BOTH, "/etc/hostapd/boat.psk": (0o600, b"psk\n")},
}


def kept(boat: Boat, files: Tree) -> str:
    """Push settings, and keep them."""
    data, digest = pack(files)
    start_trial(boat.paths, boat.system, ask(data, digest))
    keep(boat.paths, boat.system, digest)
    return digest


def starts(boat: Boat) -> list[bytes]:
    """Return the archives that starts take, in their order, should each be damaged in turn."""
    store = boat.paths.store
    names = [read_pointer_file(store / name) for name in ("kept", "previous")]
    return [(store / name).read_bytes() for name in names if name and (store / name).exists()]


@pytest.mark.parametrize("files", REVOKING.values(), ids=REVOKING)
def test_what_was_revoked_is_on_the_card_no_more(boat: Boat, files: Tree) -> None:
    old = kept(boat, BOTH)
    new = kept(boat, files)
    data = pack(files)[0]
    assert starts(boat) == [data, data]
    assert {path.name for path in boat.paths.store.iterdir()} == {
        *("kept", "previous", f"{new}.tar", f"{new}.copy")
    }
    assert old not in (read_pointer(boat.paths.store / name) for name in ("kept", "previous"))


@pytest.mark.parametrize("files", NOT_REVOKING.values(), ids=NOT_REVOKING)
def test_settings_that_gave_no_more_stay_to_fall_back_on(boat: Boat, files: Tree) -> None:
    kept(boat, BOTH)
    kept(boat, files)
    assert starts(boat) == [pack(files)[0], pack(BOTH)[0]]


def test_settings_from_before_that_stayed_are_looked_at_as_well(boat: Boat) -> None:
    """The kept settings are damaged, so that the previous ones would stay the previous ones."""
    store = boat.paths.store
    kept(boat, BOTH)
    middle = kept(boat, NOT_REVOKING["a host name"])
    (store / f"{middle}.tar").write_bytes(b"damaged")
    kept(boat, REVOKING["a login"])
    assert starts(boat) == [pack(REVOKING["a login"])[0]] * 2


def test_the_next_settings_follow_the_copy(boat: Boat) -> None:
    kept(boat, BOTH)
    first, second = REVOKING["a login"], {**REVOKING["a login"], "/etc/hostname": (0o644, b"x\n")}
    kept(boat, first)
    kept(boat, second)
    assert starts(boat) == [pack(second)[0], pack(first)[0]]
    assert not list(boat.paths.store.glob("*.copy"))


def test_a_boat_on_the_copy_is_whole_again_after_a_keep(boat: Boat) -> None:
    kept(boat, BOTH)
    digest = kept(boat, REVOKING["a login"])
    stored = boat.paths.store / f"{digest}.tar"
    stored.write_bytes(b"damaged")
    boat.paths.settings.write_bytes(b"damaged")
    assert load_kept_settings(boat.paths).digest == digest
    assert read_status(boat.paths, boat.system)["kept_whole"] is False
    keep(boat.paths, boat.system, digest)
    assert hashlib.sha256(stored.read_bytes()).hexdigest() == digest
    assert read_status(boat.paths, boat.system)["kept_whole"] is True


def test_a_card_that_does_not_take_the_copy_keeps_nothing(
    boat: Boat, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = kept(boat, BOTH)
    data, digest = pack(REVOKING["the host key"])
    start_trial(boat.paths, boat.system, ask(data, digest))
    real = os.replace

    def refuse(source: Path, target: Path) -> None:
        if Path(target).suffix == ".copy":
            raise OSError(errno.EIO, os.strerror(errno.EIO), str(target))
        real(source, target)

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", refuse)
        with pytest.raises(SettingsError):
            keep(boat.paths, boat.system, digest)
    assert read_pointer(boat.paths.store / "kept") == old


def test_damaged_settings_revoke_nothing() -> None:
    data = pack(BOTH)[0]
    assert not revokes(b"damaged", data)
    assert not revokes(data, b"damaged")
