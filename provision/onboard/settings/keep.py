# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep the settings on trial on the card, so that a power cut leaves the old or the new ones.

Each file is written beside its final path, synced and renamed, and its folder is synced. The
rename of `kept` is the moment of keeping: before it the boat rolls back, after it the keep is
finished.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from provision.onboard.settings.archive import digest_of, read
from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.files import write_all
from provision.onboard.settings.paths import Places
from provision.onboard.settings.revoked import revokes_fallback
from provision.onboard.settings.state import (
    Trial,
    as_bytes,
    clear_trial,
    home,
    load_trial,
    pointed_file,
    pointer,
    read_archive,
    read_json,
    save_trial,
    second_copy,
    staged,
    stored,
    whole,
    write_state,
)
from provision.onboard.settings.system import System

#: Bytes that are to stay free on the data partition beyond the archive itself.
MARGIN = 256 * 2**10

#: Ending of a file that is being written. A file that still has it was never finished.
UNFINISHED = ".new"


def keep(places: Places, system: System, digest: str) -> dict[str, object]:
    """Make the settings on trial the kept ones. The caller holds the lock.

    Without a trial, the settings that the boat is on can be kept. This repairs a boat whose
    card has lost them. Raises SettingsError when nothing was kept.
    """
    trial = load_trial(places)
    if trial is None:
        return _keep_home(places, system, digest)
    if trial.digest != digest:
        message = f"settings {trial.digest[:12]} of {trial.owner} are on trial, not {digest[:12]}"
        raise SettingsError("other-trial", message, status=Exit.BUSY)
    if trial.phase not in ("applied", "keeping") or trial.left(system) <= 0:
        message = "the trial was not applied whole, or its time is up: the boat is returning"
        raise SettingsError("not-applied", message, status=Exit.ON_TRIAL)
    try:
        data = read(read_archive(places.trial_archive), digest).data
        trial = save_trial(places, trial.at("keeping"))
        previous = store(places, system, data, digest)
    except (OSError, SettingsError) as error:
        with contextlib.suppress(OSError):
            save_trial(places, trial.at("applied"))
        raise not_kept(error, Exit.ON_TRIAL) from None
    finish(places, system, trial)
    with contextlib.suppress(OSError):
        _tidy(places, digest)  # the boat never rolls back to the former settings from here on
    return {"kept": digest, "previous": previous}


def _keep_home(places: Places, system: System, digest: str) -> dict[str, object]:
    settings = home(places)
    if settings.digest != digest:
        message = f"settings {digest[:12]} are not on trial, and not what the boat is on"
        raise SettingsError("no-trial", message, hint="put them on trial first")
    if pointer(places.store / "kept") != digest or not whole(places, digest):
        try:
            store(places, system, settings.data, digest)
        except (OSError, SettingsError) as error:
            raise not_kept(error, Exit.REFUSED) from None
    _now_kept(places, digest, "kept again")
    return {"kept": digest, "previous": pointer(places.store / "previous")}


def not_kept(error: OSError | SettingsError, status: Exit) -> SettingsError:
    """Make the error for a card that does not take a file."""
    if isinstance(error, SettingsError):
        error.status = status
        return error
    message = f"nothing was kept: {error.filename or 'the data partition'}: {error.strerror}"
    hint = "the old settings stay; free or replace the card"
    return SettingsError("data", message, hint=hint, status=status)


def store(places: Places, system: System, data: bytes, digest: str) -> str | None:
    """Write the archive and turn the pointers. Return the digest that `previous` names afterwards.

    The new settings may revoke the old ones, such as a login key that is gone. `previous` then
    names a second copy of the new archive, so that damage to the first does not bring the
    revoked settings back.
    """
    store_archive(places, system, data, digest)
    old = pointer(places.store / "kept")
    again = revokes_fallback(places, old, data)
    if again:
        write_durably(second_copy(places, digest), data)
        _read_back(second_copy(places, digest), digest)
    elif old not in (None, digest) and whole(places, str(old)):
        point(places.store / "previous", str(old))
    try:
        point(places.store / "kept", digest)
    except OSError as error:
        _turn_back(places.store / "kept", old, error)
        raise
    with contextlib.suppress(OSError):
        if again:
            point(places.store / "previous", digest, second_copy(places, digest).name)
        _tidy(places, digest)
    return pointer(places.store / "previous")


def _turn_back(place: Path, old: str | None, error: OSError) -> None:
    """Undo a turn of `kept` that is visible but may not be on the card."""
    if old is None or pointer(place) == old:
        return
    try:
        point(place, old)
    except OSError:
        raise SettingsError(
            "card",
            f"the card failed while the settings were being kept ({error.strerror}): "
            "the next start may take the old ones or the new ones",
            hint="replace the card",
        ) from None


def store_archive(places: Places, system: System, data: bytes, digest: str) -> None:
    """Write the archive safely to the card. No pointer names it yet."""
    if not system.is_mounted(places.data):
        raise SettingsError("data", "the data partition is not mounted: nothing can be kept")
    if not places.store.is_dir():
        places.store.mkdir(mode=0o700)
        sync_folder(places.data)
    _tidy(places, digest)
    if whole(places, digest):
        _sync_file(stored(places, digest))
        return
    free = system.free_bytes(places.data)
    if free < len(data) + MARGIN:
        message = f"the data partition has {free} bytes free; {len(data) + MARGIN} are needed"
        raise SettingsError("data-full", message, hint="remove old logs from /data")
    write_durably(stored(places, digest), data)
    _read_back(stored(places, digest), digest)


def finish(places: Places, system: System, trial: Trial, *, service: bool = True) -> None:
    """Make RAM follow the card after the pointer was turned, and end the trial.

    May run again after it was stopped anywhere.
    """
    data = read_archive(stored(places, trial.digest))
    write_state(places.settings, data)
    _now_kept(places, trial.digest, f"kept by {trial.owner}")
    clear_trial(places, system, service=service)


def _now_kept(places: Places, digest: str, reason: str) -> None:
    before = read_json(places.choice) or {}
    after = {
        **before,
        "choice": "kept",
        "sha256": digest,
        "degraded": False,
        "reason": reason,
    }
    if after != before:
        write_state(places.choice, as_bytes(after), 0o644)
    for place in (places.notice, places.last_return, places.stored_return):
        with contextlib.suppress(OSError):
            os.unlink(place)


def write_durably(place: Path, data: bytes) -> None:
    """Replace `place` in one step: after a power cut it holds all of the old or all of the new."""
    temporary = place.with_name(f".{place.name}{UNFINISHED}")
    try:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(temporary)
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW
        descriptor = os.open(temporary, flags, 0o600)
        try:
            write_all(descriptor, data)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        os.replace(temporary, place)
    except OSError:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
    sync_folder(place.parent)


def sync_folder(folder: Path) -> None:
    """Sync the names in `folder` to the card."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _sync_file(place: Path) -> None:
    descriptor = os.open(place, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    sync_folder(place.parent)


def _read_back(place: Path, digest: str) -> None:
    """Read the file back from the card and compare: a worn card takes writes and keeps none."""
    descriptor = os.open(place, os.O_RDONLY)
    try:
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(descriptor)
    if digest_of(read_archive(place)) != digest:
        with contextlib.suppress(OSError):
            os.unlink(place)
        message = "the card did not hold what was written to it"
        raise SettingsError("card", message, hint="replace the card")


def point(place: Path, digest: str, name: str = "") -> None:
    """Make the pointer file `place` name the archive, or the file `name` that also holds it."""
    write_durably(place, f"{digest}  {name or f'{digest}.tar'}\n".encode())


def _tidy(places: Places, digest: str) -> None:
    """Remove archives that no pointer names, and unfinished files.

    While a pointer exists that cannot be read, every archive stays.
    """
    names = [place.name for place in places.store.iterdir()]
    pointers = [name for name in names if name in ("kept", "previous")]
    named = {name: pointed_file(places.store / name) for name in pointers}
    if places.staged.name in names:
        found = staged(places)
        named[places.staged.name] = f"{found['digest']}.tar" if found else None
    needed = {f"{digest}.tar", f"{_home_digest(places)}.tar", *named.values()}
    for name in names:
        unfinished = name.startswith(".") and name.endswith(UNFINISHED)
        archive = name.endswith((".tar", ".copy"))
        unneeded = archive and name not in needed and None not in named.values()
        if unfinished or unneeded:
            os.unlink(places.store / name)


def _home_digest(places: Places) -> str:
    return str((read_json(places.choice) or {}).get("sha256"))
