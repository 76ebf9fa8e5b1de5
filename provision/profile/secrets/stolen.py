# SPDX-License-Identifier: GPL-3.0-or-later
"""Record that a boat's card was lost or stolen, in BOAT.stolen.json beside its profile.

The record holds public keys and dates only. It is plain, so that `provision write` needs no vault
password, and so that it travels with the folder.

The host key keeps the new secrets from the finder of the card, and not this record: of such a boat,
only the new key is accepted.
"""

from __future__ import annotations

import json
import re
import time
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from provision.errors import Location, UserError
from provision.paths import argument
from provision.profile.load import Boat
from provision.profile.schema.types import is_public_key
from provision.profile.secrets import private_file, store
from provision.profile.secrets.store import Secrets

#: A day such as 2026-11-27, or "" if there is none yet.
_DAY = re.compile(r"(\d{4}-\d\d-\d\d)?", re.ASCII)

#: Maximum size of a record. A record with a hundred keys has 10 kB.
MAX_RECORD_BYTES = 2**16


@dataclass(frozen=True)
class StolenRecord:
    """Describe a boat's lost or stolen cards.

    `since` is the day of the last loss, such as 2026-11-27. `host_keys` are the public host keys
    that those cards, older copies of them and older images show. `new_card` is the day on which
    a card with newer secrets was written and read back, or answered. It is "" while there is none.
    """

    since: str
    host_keys: tuple[str, ...]
    new_card: str = ""


def record_path(profile: Path) -> Path:
    """Return the path of the record of the boat with this profile."""
    return profile.with_name(f"{profile.stem}.stolen.json")


def read_record(profile: Path) -> StolenRecord | None:
    """Read the record of the boat with this profile. Return None if no card is lost.

    Raise UserError if the record is damaged: a guess would be wrong either way.
    """
    file = record_path(profile)
    try:
        with file.open("rb") as stream:
            text = stream.read(MAX_RECORD_BYTES + 1)
        raw = json.loads(text)
        keys = tuple(raw["host_keys"])
        days = (raw["since"], raw["new_card"])
        if len(text) > MAX_RECORD_BYTES or not all(map(_DAY.fullmatch, days)):
            raise ValueError
        if not all(map(is_public_key, keys)):
            raise ValueError
    except FileNotFoundError:
        return None
    except (OSError, ValueError, LookupError, TypeError, RecursionError) as error:
        raise UserError(
            "is no record of a lost card, or cannot be read",
            location=Location(file),
            hint="put it back as it was, from another copy of the folder; or report the card "
            f"again: provision keys {argument(profile)} --stolen",
        ) from error
    return StolenRecord(days[0], keys, days[1])


def record_loss(profile: Path, host_keys: tuple[str, ...]) -> StolenRecord:
    """Record that a card with these public host keys was lost and is not yet replaced."""
    try:
        before = read_record(profile)
    except UserError:
        before = None
    known = (*host_keys, *(before.host_keys if before else ()))
    record = StolenRecord(_today(), tuple(dict.fromkeys(known)))
    _write(record_path(profile), record)
    return record


def record_new_card(profile: Path, host_key: str) -> bool:
    """Record that a card with this public host key was written, or answered with it.

    Return True if pushes were held back until now. A card with a revoked host key changes nothing.
    """
    record = read_record(profile)
    if record is None or record.new_card or _plain(host_key) in record.host_keys:
        return False
    _write(record_path(profile), replace(record, new_card=_today()))
    return True


def is_revoked(record: StolenRecord | None, host_key: str) -> bool:
    """Tell if a card with this public host key was lost."""
    return record is not None and _plain(host_key) in record.host_keys


def refuse_old_secrets(boat: Boat, opened: Secrets) -> None:
    """Raise UserError if a boat's secrets are those of a card that was lost."""
    if is_revoked(read_record(boat.file), store.host_public_key(opened)):
        raise UserError(
            "holds the secrets of a card that was lost or stolen",
            location=Location(store.secrets_path(boat.file)),
            hint="take the file that was made since, from another copy of the folder; if there "
            f"is none: provision keys {argument(boat.file)} --stolen",
        )


def _plain(key: str) -> str:
    """Return a public key without its comment."""
    return " ".join(key.split()[:2])


def _today() -> str:
    return time.strftime("%Y-%m-%d")


def _write(file: Path, record: StolenRecord) -> None:
    """Replace the record."""
    text = json.dumps(asdict(record), indent=1) + "\n"
    private_file.write_for_owner(file, text.encode())
