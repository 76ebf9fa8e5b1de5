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

from provision.onboard.settings.archive.read import digest_of, read
from provision.onboard.settings.atomic import (
    UNFINISHED,
    sync_file,
    sync_folder,
    write_durably,
    write_state,
)
from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.live.system import System
from provision.onboard.settings.paths import Paths
from provision.onboard.settings.store.revoked import revokes_fallback
from provision.onboard.settings.store.state import (
    Trial,
    archive_path,
    as_bytes,
    clear_trial,
    is_intact,
    load_kept_settings,
    load_trial,
    read_archive,
    read_json,
    read_pointer,
    read_pointer_file,
    read_staged,
    save_trial,
    second_copy_path,
)

#: Bytes that are to stay free on the data partition beyond the archive itself.
FREE_DATA_BYTES = 256 * 2**10


def keep(aboard: Paths, system: System, digest: str) -> dict[str, object]:
    """Make the settings on trial the kept ones. The caller holds the lock.

    Without a trial, the settings that the boat is on can be kept. This repairs a boat whose
    card has lost them. Raises SettingsError when nothing was kept.
    """
    trial = load_trial(aboard)
    if trial is None:
        return _keep_running_settings(aboard, system, digest)
    if trial.digest != digest:
        message = f"settings {trial.digest[:12]} of {trial.owner} are on trial, not {digest[:12]}"
        raise SettingsError("other-trial", message, status=Exit.BUSY)
    if trial.phase not in ("applied", "keeping") or trial.seconds_left(system) <= 0:
        message = "the trial was not applied whole, or its time is up: the boat is rolling back"
        raise SettingsError("not-applied", message, status=Exit.ON_TRIAL)
    try:
        data = read(read_archive(aboard.trial_archive), digest).data
        trial = save_trial(aboard, trial.in_phase("keeping"))
        previous = store_settings(aboard, system, data, digest)
    except (OSError, SettingsError) as error:
        with contextlib.suppress(OSError):
            save_trial(aboard, trial.in_phase("applied"))
        raise not_kept(error, Exit.ON_TRIAL) from None
    finish_keeping(aboard, system, trial)
    with contextlib.suppress(OSError):
        # The boat never rolls back to the former settings from here on.
        _remove_unneeded(aboard, digest)
    return {"kept": digest, "previous": previous}


def _keep_running_settings(aboard: Paths, system: System, digest: str) -> dict[str, object]:
    settings = load_kept_settings(aboard)
    if settings.digest != digest:
        message = f"settings {digest[:12]} are not on trial, and not what the boat is on"
        raise SettingsError("no-trial", message, hint="put them on trial first")
    if read_pointer(aboard.store / "kept") != digest or not is_intact(aboard, digest):
        try:
            store_settings(aboard, system, settings.data, digest)
        except (OSError, SettingsError) as error:
            raise not_kept(error, Exit.REFUSED) from None
    _record_kept(aboard, digest, "kept again")
    return {"kept": digest, "previous": read_pointer(aboard.store / "previous")}


def not_kept(error: OSError | SettingsError, status: Exit) -> SettingsError:
    """Make the error for a card that does not take a file."""
    if isinstance(error, SettingsError):
        error.status = status
        return error
    message = f"nothing was kept: {error.filename or 'the data partition'}: {error.strerror}"
    hint = "the old settings stay; free or replace the card"
    return SettingsError("data", message, hint=hint, status=status)


def store_settings(aboard: Paths, system: System, data: bytes, digest: str) -> str | None:
    """Write the archive, and make the pointers name it. Return the digest in `previous`.

    The new settings may revoke the old ones, such as a login key that is gone. `previous` then
    names a second copy of the new archive, so that damage to the first does not bring the
    revoked settings back.
    """
    store_archive(aboard, system, data, digest)
    old = read_pointer(aboard.store / "kept")
    again = revokes_fallback(aboard, old, data)
    if again:
        write_durably(second_copy_path(aboard, digest), data)
        _read_back(second_copy_path(aboard, digest), digest)
    elif old not in (None, digest) and is_intact(aboard, str(old)):
        write_pointer(aboard.store / "previous", str(old))
    try:
        write_pointer(aboard.store / "kept", digest)
    except OSError as error:
        _undo_pointer(aboard.store / "kept", old, error)
        raise
    with contextlib.suppress(OSError):
        if again:
            write_pointer(aboard.store / "previous", digest, second_copy_path(aboard, digest).name)
        _remove_unneeded(aboard, digest)
    return read_pointer(aboard.store / "previous")


def _undo_pointer(file: Path, old: str | None, error: OSError) -> None:
    """Undo a write of `kept` that is visible but may not be on the card."""
    if old is None or read_pointer(file) == old:
        return
    try:
        write_pointer(file, old)
    except OSError:
        raise SettingsError(
            "card",
            f"the card failed while the settings were being kept ({error.strerror}): "
            "the next start may take the old ones or the new ones",
            hint="replace the card",
        ) from None


def store_archive(aboard: Paths, system: System, data: bytes, digest: str) -> None:
    """Write the archive safely to the card. No pointer names it yet."""
    if not system.is_mounted(aboard.data):
        raise SettingsError("data", "the data partition is not mounted: nothing can be kept")
    if not aboard.store.is_dir():
        aboard.store.mkdir(mode=0o700)
        sync_folder(aboard.data)
    _remove_unneeded(aboard, digest)
    if is_intact(aboard, digest):
        sync_file(archive_path(aboard, digest))
        return
    free = system.free_bytes(aboard.data)
    if free < len(data) + FREE_DATA_BYTES:
        message = (
            f"the data partition has {free} bytes free; {len(data) + FREE_DATA_BYTES} are needed"
        )
        raise SettingsError("data-full", message, hint="remove old logs from /data")
    write_durably(archive_path(aboard, digest), data)
    _read_back(archive_path(aboard, digest), digest)


def finish_keeping(aboard: Paths, system: System, trial: Trial, *, service: bool = True) -> None:
    """Make RAM follow the card after the pointer was written, and end the trial.

    May run again after it was stopped anywhere.
    """
    data = read_archive(archive_path(aboard, trial.digest))
    write_state(aboard.settings, data)
    _record_kept(aboard, trial.digest, f"kept by {trial.owner}")
    clear_trial(aboard, system, service=service)


def _record_kept(aboard: Paths, digest: str, reason: str) -> None:
    before = read_json(aboard.choice) or {}
    after = {
        **before,
        "choice": "kept",
        "sha256": digest,
        "degraded": False,
        "reason": reason,
    }
    if after != before:
        write_state(aboard.choice, as_bytes(after), 0o644)
    for file in (aboard.notice, aboard.last_rollback, aboard.stored_rollback):
        with contextlib.suppress(OSError):
            os.unlink(file)


def _read_back(file: Path, digest: str) -> None:
    """Read the file back from the card and compare: a worn card takes writes and keeps none."""
    descriptor = os.open(file, os.O_RDONLY)
    try:
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(descriptor)
    if digest_of(read_archive(file)) != digest:
        with contextlib.suppress(OSError):
            os.unlink(file)
        message = "the card did not hold what was written to it"
        raise SettingsError("card", message, hint="replace the card")


def write_pointer(file: Path, digest: str, name: str = "") -> None:
    """Make the pointer `file` name the archive, or the file `name` that also holds it."""
    write_durably(file, f"{digest}  {name or f'{digest}.tar'}\n".encode())


def _remove_unneeded(aboard: Paths, digest: str) -> None:
    """Remove archives that no pointer names, and unfinished files.

    While a pointer exists that cannot be read, every archive stays.
    """
    names = [file.name for file in aboard.store.iterdir()]
    pointers = [name for name in names if name in ("kept", "previous")]
    named = {name: read_pointer_file(aboard.store / name) for name in pointers}
    if aboard.staged.name in names:
        found = read_staged(aboard)
        named[aboard.staged.name] = f"{found['digest']}.tar" if found else None
    needed = {f"{digest}.tar", f"{_kept_digest(aboard)}.tar", *named.values()}
    for name in names:
        unfinished = name.startswith(".") and name.endswith(UNFINISHED)
        archive = name.endswith((".tar", ".copy"))
        unneeded = archive and name not in needed and None not in named.values()
        if unfinished or unneeded:
            os.unlink(aboard.store / name)


def _kept_digest(aboard: Paths) -> str:
    return str((read_json(aboard.choice) or {}).get("sha256"))
