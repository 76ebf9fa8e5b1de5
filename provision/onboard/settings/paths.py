# SPDX-License-Identifier: GPL-3.0-or-later
"""Define the paths aboard, under one root folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

#: The manifest's own path in the archive and on the boat.
MANIFEST = "/etc/boat/manifest.json"


@dataclass(frozen=True)
class Paths:
    """Holds the boat's paths. `root` is / aboard, and a separate folder in tests."""

    root: Path

    def live(self, path: str) -> Path:
        """Return the path of `path` (absolute, as in a manifest) on the running system."""
        return self.root / path.lstrip("/")

    @property
    def data(self) -> Path:
        """Return the data partition, the only writable one on the card."""
        return self.root / "data"

    @property
    def store(self) -> Path:
        """Return the folder of the archives and the pointers `kept` and `previous`."""
        return self.data / "settings"

    @property
    def staged(self) -> Path:
        """Return the file that names the settings to try at the next start."""
        return self.store / "staged.json"

    @property
    def run(self) -> Path:
        """Return the folder of the state that a power cut is meant to take away."""
        return self.root / "run/boat"

    @property
    def settings(self) -> Path:
        """Return the archive that the boat is on, and rolls back to."""
        return self.run / "settings.tar"

    @property
    def choice(self) -> Path:
        """Return the file that records what was chosen at boot, and why. `keep` changes it."""
        return self.run / "settings.json"

    @property
    def trial(self) -> Path:
        """Return the state of the trial that is on. Without this file no trial is on."""
        return self.run / "trial.json"

    @property
    def trial_archive(self) -> Path:
        """Return the archive on trial."""
        return self.run / "trial.tar"

    @property
    def lock(self) -> Path:
        """Return the lock that a command holds while it changes anything."""
        return self.run / "settings.lock"

    @property
    def last_rollback(self) -> Path:
        """Return the record of why and when the boat last rolled back to its kept settings."""
        return self.run / "last-return.json"

    @property
    def stored_rollback(self) -> Path:
        """Return the same record from a rollback that had to restart the boat."""
        return self.store / "last-return.json"

    @property
    def notice(self) -> Path:
        """Return the same record as text for the next login (pam_motd reads that folder)."""
        return self.root / "run/motd.d/boat-settings"

    @property
    def reserve(self) -> Path:
        """Return the file that holds space in the overlay, so that a rollback never lacks it."""
        return self.live("/etc/boat/.return-space")

    @property
    def base(self) -> Path:
        """Return the file in which the base describes itself."""
        return self.live("/usr/lib/boat-base/base.json")

    @property
    def base_tree(self) -> Path:
        """Return the mount point of the read-only base, without the overlay on it."""
        return self.run / "base"
