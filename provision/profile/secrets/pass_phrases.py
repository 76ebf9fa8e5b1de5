# SPDX-License-Identifier: GPL-3.0-or-later
"""Show and set the Wi-Fi pass-phrases of a boat and of its tablets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from provision.errors import Location, UserError
from provision.paths import argument
from provision.profile import load
from provision.profile.load import Boat
from provision.profile.secrets import store
from provision.profile.secrets.store import Secrets

#: Name of the boat's own pass-phrase, beside the tablets' names.
BOAT_PASS_PHRASE = "pass_phrase"  # noqa: S105


@dataclass(frozen=True)
class PassPhrases:
    """Hold what people type to join one boat's Wi-Fi. Its repr shows no pass-phrase."""

    boat: str
    called: str
    """The boat's name in a command."""
    ssid: str
    pass_phrase: str = field(repr=False)
    own: Mapping[str, str] = field(repr=False)
    """The pass-phrases of tablets that have their own, by the tablet's name."""
    missing: tuple[str, ...] = ()
    """The tablets whose own pass-phrase has not been made yet."""

    def lines(self) -> list[str]:
        """Format the pass-phrases as lines for people."""
        return [
            f'{self.boat}: Wi-Fi "{self.ssid}"',
            f"  {BOAT_PASS_PHRASE}: {self.pass_phrase}",
            *(f"  {name} (its own): {text}" for name, text in self.own.items()),
            *(
                f"  {name} (its own): not made yet; provision keys {self.called} makes it"
                for name in self.missing
            ),
        ]

    def as_json(self) -> dict[str, object]:
        """Return the pass-phrases as plain data, for `--json`."""
        return {
            "boat": self.boat,
            "ssid": self.ssid,
            BOAT_PASS_PHRASE: self.pass_phrase,
            "own_pass_phrases": dict(self.own),
        }


def collect_pass_phrases(boat: Boat, kept: Secrets) -> PassPhrases:
    """Collect the pass-phrases that the boat's profile asks for from its secrets."""
    names = boat.profile.own_pass_phrases
    return PassPhrases(
        boat=boat.name,
        called=argument(boat.file),
        ssid=boat.profile.network.access_point.ssid,
        pass_phrase=kept.pass_phrase,
        own={name: kept.own_pass_phrases[name] for name in names if name in kept.own_pass_phrases},
        missing=tuple(name for name in names if name not in kept.own_pass_phrases),
    )


def check_settable(boat: Boat, name: str) -> None:
    """Refuse to set anything but the pass-phrases of the boat and of its tablets."""
    tablets = boat.profile.network.tablets
    if name == BOAT_PASS_PHRASE or name in boat.profile.own_pass_phrases:
        return
    if name in tablets:
        raise UserError(
            f"{name} has no pass-phrase of its own: it joins by the boat's",
            location=boat.location(f"network.tablets.{name}"),
            hint=f"write own_pass_phrase: true there, or set {BOAT_PASS_PHRASE}",
        )
    known = ", ".join([BOAT_PASS_PHRASE, *boat.profile.own_pass_phrases])
    # The operator may have typed the pass-phrase itself here: do not repeat it.
    raise UserError(
        f"{boat.name} has no pass-phrase by the name that --set gives",
        hint=f"the names are {known}; the pass-phrase itself is asked for, and never stands on the "
        "command line, which others can read; of other secrets --rotate makes new ones",
    )


def check_new(new: str) -> None:
    """Refuse a pass-phrase that the standard refuses, without quoting it."""
    try:
        store.check_pass_phrase(new)
    except ValueError as error:
        raise UserError(
            f"the new pass-phrase {error}",
            hint="letters, digits and hyphens are typed alike on every tablet",
        ) from None


def set_pass_phrase(profile: Path, key: bytes, name: str, new: str) -> bool:
    """Replace one pass-phrase by the operator's. Return False if the boat has it already.

    `key` is the vault password, `name` is `pass_phrase` or that of a tablet.
    """
    boat = load.read(profile)
    check_settable(boat, name)
    check_new(new)
    kept = store.read(profile, key)
    had = {BOAT_PASS_PHRASE: kept.pass_phrase, **kept.own_pass_phrases}
    if had.get(name) == new:
        return False
    if same := [other for other, text in had.items() if other != name and text == new]:
        # hostapd knows a tablet by its pass-phrase alone, so that two may not be equal.
        raise UserError(
            f"{same[0]} has that pass-phrase",
            location=Location(store.secrets_path(profile)),
            hint="the boat knows a tablet by its pass-phrase: choose another",
        )
    changed = had | {name: new}
    store.write(
        profile,
        kept.model_copy(
            update={BOAT_PASS_PHRASE: changed.pop(BOAT_PASS_PHRASE), "own_pass_phrases": changed},
        ),
        key,
        replace=True,
    )
    return True
