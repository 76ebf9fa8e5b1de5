# SPDX-License-Identifier: GPL-3.0-or-later
"""Read and write what one command leaves in /run/boat and on the card for the next."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from provision.onboard.settings.archive.manifest import is_digest
from provision.onboard.settings.archive.read import Settings, digest_of, read
from provision.onboard.settings.archive.tar import MAX_ARCHIVE_BYTES
from provision.onboard.settings.atomic import write_state
from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.live.system import System
from provision.onboard.settings.paths import Paths
from provision.onboard.settings.readers import MAX_JSON_BYTES, parse_json, read_file

#: Bytes of a pointer, which is one line of some 135.
MAX_POINTER_BYTES = 256

#: Seconds. A trial shorter than a restart of the network proves nothing.
MIN_TRIAL_S, MAX_TRIAL_S = 5, 24 * 3600


@dataclass(frozen=True)
class Trial:
    """Describes a trial, as /run/boat/trial.json has it from before anything changes.

    `phase` is arming (nothing has changed), applying, applied or keeping. `deadline` is in
    seconds on the monotonic clock. `changed` are the paths that the trial touches, `folders`
    those that it makes, `already_failing` the units that were down before it.
    """

    digest: str
    owner: str
    seconds: int
    deadline: float
    phase: str
    changed: tuple[str, ...]
    folders: tuple[str, ...]
    already_failing: tuple[str, ...]

    def in_phase(self, phase: str) -> Trial:
        """Return the same trial in another phase."""
        return dataclasses.replace(self, phase=phase)

    def seconds_left(self, system: System) -> float:
        """Return the seconds until the boat rolls back."""
        return max(0.0, round(self.deadline - system.monotonic(), 1))

    def as_json(self, system: System) -> dict[str, object]:
        """Return owner, settings and remaining time as plain data."""
        return {
            "digest": self.digest,
            "owner": self.owner,
            "phase": self.phase,
            "seconds": self.seconds,
            "seconds_left": self.seconds_left(system),
            "changed": list(self.changed),
        }


def read_json(file: Path) -> dict[str, Any] | None:
    """Read an object from a JSON file. None when the file is missing or holds no object."""
    try:
        found = parse_json(read_file(file, MAX_JSON_BYTES))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) else None


def as_bytes(value: dict[str, Any]) -> bytes:
    """Return the JSON of a state file."""
    return (json.dumps(value, indent=1, sort_keys=True) + "\n").encode()


def save_trial(aboard: Paths, trial: Trial) -> Trial:
    """Write the trial down. It is on once its phase is past arming."""
    fields = dataclasses.asdict(trial)
    # The file keeps the name of its key.
    fields["ailing"] = fields.pop("already_failing")
    write_state(aboard.trial, as_bytes(fields))
    return trial


def load_trial(aboard: Paths) -> Trial | None:
    """Return the trial that is on, or None."""
    raw = read_json(aboard.trial)
    if raw is None:
        return None
    try:
        return Trial(
            digest=str(raw["digest"]),
            owner=str(raw["owner"]),
            seconds=int(raw["seconds"]),
            deadline=float(raw["deadline"]),
            phase=str(raw["phase"]),
            changed=tuple(map(str, raw["changed"])),
            folders=tuple(map(str, raw["folders"])),
            already_failing=tuple(map(str, raw["ailing"])),
        )
    except (KeyError, TypeError, ValueError, OverflowError):
        return None


def clear_trial(aboard: Paths, system: System, *, service: bool = True) -> None:
    """End a trial: remove its archive, its reserved space and its record, and stop its timer.

    A timer that outlives its trial finds nothing to do, so stopping it may fail. `service` is
    False in the rollback that the timer itself has started.
    """
    for file in (aboard.trial_archive, aboard.reserve, aboard.trial):
        with contextlib.suppress(FileNotFoundError, NotADirectoryError):
            os.unlink(file)
    with contextlib.suppress(SettingsError):
        system.disarm(service=service)


def read_archive(file: Path) -> bytes:
    """Return the bytes of an archive file. OSError when it is no file, or too large."""
    return read_file(file, MAX_ARCHIVE_BYTES)


def archive_path(aboard: Paths, digest: str) -> Path:
    """Return the path of the archive with this digest on the card."""
    return aboard.store / f"{digest}.tar"


def second_copy_path(aboard: Paths, digest: str) -> Path:
    """Return the path of the second copy of this archive, which may be missing."""
    return aboard.store / f"{digest}.copy"


def load_kept_settings(aboard: Paths) -> Settings:
    """Return the settings that the boat is on but for a trial, and rolls back to.

    They come from RAM, or from the card when that archive is damaged.
    """
    choice = read_json(aboard.choice) or {}
    digest = str(choice.get("sha256", ""))
    if not is_digest(digest):
        raise SettingsError(
            "no-settings",
            f"{aboard.choice} does not say which settings this boat is on",
            status=Exit.UNABLE,
        )
    for file in (aboard.settings, archive_path(aboard, digest), second_copy_path(aboard, digest)):
        with contextlib.suppress(OSError, SettingsError):
            return read(read_archive(file), digest)
    raise SettingsError(
        "no-settings",
        f"no whole copy of the boat's settings {digest[:12]} is left aboard",
        status=Exit.UNABLE,
    )


def read_pointer(file: Path) -> str | None:
    """Return the digest that a pointer file names. None when it is missing or damaged."""
    name = read_pointer_file(file)
    return name.partition(".")[0] if name else None


def read_pointer_file(file: Path) -> str | None:
    """Return the file that a pointer names: an archive or its copy. None as for `pointer`."""
    try:
        line = read_file(file, MAX_POINTER_BYTES).decode("ascii")
    except (OSError, ValueError):
        return None
    digest, _, name = line.rstrip("\n").partition("  ")
    return name if is_digest(digest) and name in (f"{digest}.tar", f"{digest}.copy") else None


def is_intact(aboard: Paths, digest: str) -> bool:
    """Report whether the card holds this archive and reading it gives the right digest."""
    try:
        return digest_of(read_archive(archive_path(aboard, digest))) == digest
    except (OSError, SettingsError):
        return False


def read_staged(aboard: Paths) -> dict[str, object] | None:
    """Return what is on trial from the next start: digest, owner, and the trial's seconds.

    None when nothing is staged, or its record cannot be read.
    """
    found = read_json(aboard.staged) or {}
    digest, owner, seconds = (found.get(key) for key in ("digest", "owner", "seconds"))
    if not (isinstance(digest, str) and is_digest(digest) and isinstance(owner, str)):
        return None
    if type(seconds) is not int or not MIN_TRIAL_S <= seconds <= MAX_TRIAL_S:
        return None
    return {"digest": digest, "owner": owner, "seconds": seconds}
