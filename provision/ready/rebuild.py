# SPDX-License-Identifier: GPL-3.0-or-later
"""Look at all that a card is made from. The boat itself is not asked."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

from provision.backup.store import FOLDER, INDEX, Store
from provision.card.base.age import describe_age, is_old, read_date
from provision.card.base.base import Base
from provision.card.base.cache import find_base
from provision.card.layout.digests import compute_digest
from provision.checks import find_errors
from provision.errors import UserError
from provision.profile.secrets.store import host_public_key
from provision.push.records.written_cards import read_cards
from provision.render import OpenBoat

_DAY_S = 86400

#: Days after which a backup or a spare card counts as old (our own choice: a month of sailing, and
#: a season).
OLD_BACKUP_DAYS, OLD_SPARE_DAYS = 30, 180

State = Literal["ok", "note", "missing"]
"""note: the card can be made without it, and something would be lost or late."""


@dataclass(frozen=True)
class Item:
    """Hold one thing that a rebuild takes, how it is, and what to do about it."""

    name: str
    state: State
    text: str
    hint: str = ""


@dataclass(frozen=True)
class Readiness:
    """Hold what was found of one boat."""

    boat: str
    items: tuple[Item, ...]

    @property
    def ready(self) -> bool:
        """Tell whether a card can be made now."""
        return all(item.state != "missing" for item in self.items)

    def as_json(self) -> dict[str, object]:
        """Return plain data, for `--json`."""
        return {
            "boat": self.boat,
            "ready": self.ready,
            "items": [dict(vars(item)) for item in self.items],
        }


def look_at(boat: OpenBoat, now: float, sound: Callable[[Base], bool] | None = None) -> Readiness:
    """Look at what the card of a boat would be made from. Its secrets were opened already.

    `now` is in seconds since 1970. `sound` tells whether a base is as it was built.
    """
    return Readiness(boat.name, tuple(_items(boat, now, sound or is_sound)))


def _items(boat: OpenBoat, now: float, sound: Callable[[Base], bool]) -> Iterator[Item]:
    errors = find_errors(boat.boat)
    if errors:
        yield Item(
            "file",
            "missing",
            f"{len(errors)} mistake{'s' * (len(errors) > 1)}",
            f"provision check {boat.name}",
        )
    else:
        yield Item("file", "ok", "checks without a mistake")
    yield Item("secrets", "ok", f"open, host key {host_public_key(boat.secrets).split()[1][-8:]}")
    yield _operator(boat.boat.file)
    yield _base(boat, now, sound)
    yield _backup(boat, now)
    yield _spare(boat, now)


def _operator(profile: Path) -> Item:
    if (profile.parent / "operator").is_file():
        return Item("operator's key", "ok", "here")
    return Item(
        "operator's key",
        "note",
        "not here: pushes from this computer need a key of the user's own",
        "copy the file `operator` from the computer that has it",
    )


def _base(boat: OpenBoat, now: float, sound: Callable[[Base], bool]) -> Item:
    base = find_base(boat.board)
    if base is None:
        hint = f"with a network: provision card {boat.name} -o {boat.name}.img"
        return Item("base", "missing", "not built here", hint)
    try:
        whole = sound(base)
    except UserError:
        whole = False
    if not whole:
        return Item("base", "missing", "damaged", base.damaged(base.squashfs).hint)
    date = read_date(base.facts)
    if date is not None and is_old(date, now):
        hint = f"with a network: provision card {boat.name} --fresh -o {boat.name}.img"
        return Item("base", "note", f"here, {describe_age(base.facts, now)}", hint)
    return Item("base", "ok", f"here, {describe_age(base.facts, now)}")


def is_sound(base: Base) -> bool:
    """Compare the files of a base with the digests from when it was built."""
    return all(
        compute_digest(base.folder / name) == digest for name, digest in base.digests.items()
    )


def _backup(boat: OpenBoat, now: float) -> Item:
    hint = f"while the boat is in reach: provision backup {boat.name}"
    parent = boat.boat.file.parent / FOLDER
    if not (parent / boat.name / INDEX).is_file():
        return Item("backup", "note", "none: the boat's logs would be lost with its card", hint)
    try:
        store = Store.look_into(parent, boat.name)
    except UserError as error:
        return Item("backup", "note", error.message, error.hint)
    if not store.taken:
        return Item("backup", "note", "none that came to its end", hint)
    days = int((now - store.taken) / _DAY_S)
    state: State = "ok" if days <= OLD_BACKUP_DAYS else "note"
    return Item("backup", state, f"of {_day(store.taken)}", hint if state == "note" else "")


def _spare(boat: OpenBoat, now: float) -> Item:
    hint = f"provision write --spare {boat.name}"
    try:
        cards = read_cards(boat.boat.file)
    except UserError as error:
        return Item("written card", "note", error.message, error.hint)
    if not cards:
        return Item("written card", "note", "none is recorded here", hint)
    latest = cards[0]
    if latest.settings != boat.render().sha256:
        text = f"of {latest.day}, with settings that the file no longer has"
        return Item("written card", "note", text, hint)
    age = now - datetime.strptime(latest.written, "%Y-%m-%dT%H:%M:%S%z").timestamp()
    state: State = "ok" if age <= OLD_SPARE_DAYS * _DAY_S else "note"
    return Item(
        "written card", state, f"of {latest.day}, as the file is", hint if state == "note" else ""
    )


def _day(seconds: float) -> str:
    return f"{datetime.fromtimestamp(seconds).astimezone():%Y-%m-%d}"
