# SPDX-License-Identifier: GPL-3.0-or-later
"""Where everything lies aboard, under one root folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

#: The manifest's own path in the archive and on the boat.
MANIFEST = "/etc/boat/manifest.json"


@dataclass(frozen=True)
class Places:
    """The boat's files; `root` is / aboard and a folder of their own in tests."""

    root: Path

    def live(self, path: str) -> Path:
        """Where `path` (absolute, as in a manifest) is on the running system."""
        return self.root / path.lstrip("/")

    @property
    def data(self) -> Path:
        """The data partition, the only writable thing on the card."""
        return self.root / "data"

    @property
    def store(self) -> Path:
        """Archives and the pointers `kept` and `previous`."""
        return self.data / "settings"

    @property
    def staged(self) -> Path:
        """Which settings go on trial at the next start, for whom, and for how long."""
        return self.store / "staged.json"

    @property
    def run(self) -> Path:
        """State that a power cut is meant to take away."""
        return self.root / "run/boat"

    @property
    def settings(self) -> Path:
        """The archive that the boat is on, and returns to."""
        return self.run / "settings.tar"

    @property
    def choice(self) -> Path:
        """What was chosen at boot, and why; changed by `keep`."""
        return self.run / "settings.json"

    @property
    def trial(self) -> Path:
        """State of the trial that is on; there is none without this file."""
        return self.run / "trial.json"

    @property
    def trial_archive(self) -> Path:
        """The archive on trial."""
        return self.run / "trial.tar"

    @property
    def lock(self) -> Path:
        """Held by whichever command changes anything."""
        return self.run / "settings.lock"

    @property
    def last_return(self) -> Path:
        """Why and when the boat last went back to its kept settings."""
        return self.run / "last-return.json"

    @property
    def stored_return(self) -> Path:
        """The same, from a return that had to restart the boat."""
        return self.store / "last-return.json"

    @property
    def notice(self) -> Path:
        """The same, for whoever logs in next (pam_motd reads that folder)."""
        return self.root / "run/motd.d/boat-settings"

    @property
    def reserve(self) -> Path:
        """Space in the overlay, held back so that a return never lacks it."""
        return self.live("/etc/boat/.return-space")

    @property
    def base(self) -> Path:
        """What the base says of itself."""
        return self.live("/usr/lib/boat-base/base.json")

    @property
    def base_tree(self) -> Path:
        """The read-only base without the overlay on it, when it is mounted there."""
        return self.run / "base"
