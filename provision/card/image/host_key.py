# SPDX-License-Identifier: GPL-3.0-or-later
"""Read the SSH host key in a card's image, and refuse an image with a lost card's key."""

from __future__ import annotations

from pathlib import Path

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    PublicFormat,
    load_ssh_private_key,
)

from provision.card.image.identity import boot_partition, read_identity
from provision.card.layout.filesystems import read_fat
from provision.errors import Location, UserError
from provision.onboard.settings.archive.read import read
from provision.onboard.settings.archive.tar import MAX_ARCHIVE_BYTES
from provision.onboard.settings.errors import SettingsError
from provision.paths import argument
from provision.profile.secrets import stolen

#: Path of the host key in the settings.
HOST_KEY = "/etc/ssh/ssh_host_ed25519_key"


def read_host_key(image: Path) -> str:
    """Return the public host key, as `ssh-ed25519 AAAA...`, of the settings on an image.

    Raise UserError if the settings are damaged, or hold no key.
    """
    archive = read_fat(boot_partition(image), "settings.tar", MAX_ARCHIVE_BYTES)
    try:
        text = read(archive, str(read_identity(image)["settings"])).contents[HOST_KEY]
        key = load_ssh_private_key(text, password=None)
    except (SettingsError, KeyError, ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise UserError(
            f"{image} holds damaged settings, or no host key", hint="provision card BOAT makes one"
        ) from error
    return key.public_key().public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH).decode()


def refuse_lost_card(image: Path, boat: str, boats: Path) -> None:
    """Raise UserError if an image of `boat` holds the secrets of a lost card.

    The boat's record, if there is one, is in the folder `boats`.
    """
    profile = boats / f"{boat}.yml"
    record = stolen.read_record(profile)
    if record and stolen.is_revoked(record, read_host_key(image)):
        raise UserError(
            f"was built before a card of {boat} was lost or stolen ({record.since}), and "
            "holds the same secrets; nothing was written",
            location=Location(image),
            hint=f"build it again: provision card {argument(profile)} -o {image.name}, "
            "and destroy this one",
        )


def record_written(image: Path, boat: str, boats: Path) -> bool:
    """Record that a card of the boat was written and read back."""
    profile = boats / f"{boat}.yml"
    if stolen.read_record(profile) is None:
        return False
    return stolen.record_new_card(profile, read_host_key(image))
