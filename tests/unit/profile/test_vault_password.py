# SPDX-License-Identifier: GPL-3.0-or-later
"""A change of the vault password loses no secret, wherever it is cut off."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from provision.errors import UserError
from provision.profile.scaffold import create_club
from provision.profile.secrets import private_file, store, vault, vault_password
from provision.profile.secrets.keygen import make_keys
from tests.support.profiles import contents

OLD, NEW = b"one of old", b"one of new"

#: What puts something onto a disk; a cut is tried before each.
STEPS = ("open", "fsync", "replace", "unlink")

#: More than a change of two files takes.
MANY = 80


def make_club(folder: Path) -> Path:
    """Return a folder with two vaults, one of them with a vault id, and its own password file."""
    create_club(folder)
    private_file.write(folder / "dunlin.secrets.yml", vault.encrypt("of dunlin", OLD))
    private_file.write(folder / "notes", vault.encrypt_bytes(b"\xff of ours", OLD, "club"))
    private_file.write(folder / vault.PASSWORD_FILE, OLD + b"\n", replace=True)
    return folder


@pytest.fixture
def club(tmp_path: Path) -> Path:
    return make_club(tmp_path / "boats")


def held(folder: Path, key: bytes) -> dict[str, bytes]:
    """Return what the vaults that a password opens hold."""
    found = {name: (folder / name).read_bytes() for name in ("dunlin.secrets.yml", "notes")}
    opened = {name: vault.decrypt_bytes(data, key) for name, data in found.items()}
    return {name: content for name, content in opened.items() if content is not None}


ALL = {"dunlin.secrets.yml": b"of dunlin", "notes": b"\xff of ours"}


def names(folder: Path) -> set[str]:
    return {file.name for file in folder.iterdir()}


class Killed(BaseException):
    """Ends the run."""


def kill() -> None:
    """End the run. What `finally` does after this, the end of a process does, too."""
    raise Killed


class Cut:
    """Does something instead of one step, and makes what was not synced then be lost.

    After a kill no further step is taken.
    """

    def __init__(self, at: int, end: Callable[[], Any]) -> None:
        self.at, self.end, self.count = at, end, 0
        self.written: set[int] = set()
        self.before = {name: getattr(os, name) for name in STEPS}

    def __enter__(self) -> Cut:
        for name in STEPS:
            setattr(os, name, self._instead(name))
        return self

    def __exit__(self, *_: object) -> None:
        for name in STEPS:
            setattr(os, name, self.before[name])

    def _instead(self, name: str) -> Callable[..., Any]:
        def step(*words: Any, **more: Any) -> Any:
            self.count += 1
            if self.count > self.at and self.end is kill:
                raise Killed
            if self.count == self.at:
                if name == "fsync":
                    self._lose(words[0])
                return self.end()
            return self.before[name](*words, **more)

        return step

    def _lose(self, descriptor: int) -> None:
        """Lose half of what was written and not synced."""
        if os.path.isfile(f"/proc/self/fd/{descriptor}"):
            os.ftruncate(descriptor, os.fstat(descriptor).st_size // 2)


def cut_off(at: int, folder: Path, new: bytes = NEW) -> bool:
    """Change the password in a run that is killed before a step; whether it came so far."""
    try:
        with Cut(at, kill):
            vault_password.change_password(folder, OLD, new)
    except Killed:
        return True
    return False


def cut_everywhere(club: Path, folders: Path) -> list[Path]:
    """Return the folder after a cut before each step."""
    found = []
    for at in range(1, MANY):
        shutil.copytree(club, folder := folders / str(at), symlinks=True)
        if not cut_off(at, folder):
            assert at > 15
            return found
        found.append(folder)
    raise AssertionError("there are more steps than are tried")


@pytest.fixture(scope="module")
def cut(tmp_path_factory: pytest.TempPathFactory) -> Sequence[Path]:
    """Give a folder that keeps its password, after a cut before each step; only to be looked at."""
    folder = tmp_path_factory.mktemp("cut")
    return cut_everywhere(make_club(folder / "boats"), folder)


@pytest.fixture(scope="module")
def cut_elsewhere(tmp_path_factory: pytest.TempPathFactory) -> Sequence[Path]:
    """Give the same of a folder whose password is kept elsewhere."""
    folder = tmp_path_factory.mktemp("cut")
    (make_club(folder / "boats") / vault.PASSWORD_FILE).unlink()
    return cut_everywhere(folder / "boats", folder)


def copies(cut: Sequence[Path], tmp_path: Path) -> Iterator[tuple[int, Path]]:
    """Yield each of the folders with its step, to be changed."""
    for at, folder in enumerate(cut, 1):
        shutil.copytree(folder, copy := tmp_path / "copy" / str(at), symlinks=True)
        yield at, copy


def test_all_encrypted_files_change_at_once_and_nothing_else(club: Path) -> None:
    before = names(club)
    profile = (club / "dunlin.yml").read_bytes()
    done = vault_password.change_password(club, OLD, NEW)
    assert [file.name for file in done.reencrypted] == sorted(ALL)
    assert done.file_changed
    assert held(club, NEW) == ALL
    assert held(club, OLD) == {}
    assert names(club) == before
    assert (club / "dunlin.yml").read_bytes() == profile
    assert (club / vault.PASSWORD_FILE).read_bytes() == NEW + b"\n"
    for name in (*ALL, vault.PASSWORD_FILE):
        assert (club / name).stat().st_mode & 0o777 == 0o600
    assert (club / "notes").read_bytes().startswith(b"$ANSIBLE_VAULT;1.2;AES256;club\n")


def test_a_cut_before_any_step_loses_nothing_and_is_finished(
    club: Path, cut: Sequence[Path], tmp_path: Path
) -> None:
    """A folder that keeps its password has the new one after the cut, too."""
    before, ways = names(club), set()
    for at, folder in copies(cut, tmp_path):
        by_old, by_new = held(folder, OLD), held(folder, NEW)
        assert {**by_old, **by_new} == ALL, at
        begun = vault_password.read_pending(folder)
        kept = (folder / vault.PASSWORD_FILE).read_bytes().strip()
        assert kept in (OLD, NEW)
        assert begun in (None, NEW)
        if by_new:
            assert NEW in (begun, kept), at
        if kept == NEW:
            assert not by_old, at
        ways.add((len(by_new), kept))
        vault_password.change_password(folder, kept, NEW)
        assert held(folder, NEW) == ALL, at
        assert (folder / vault.PASSWORD_FILE).read_bytes() == NEW + b"\n"
        assert names(folder) == before, at
    # It was cut off with none, some and all turned, and with the password file turned.
    assert ways == {(0, OLD), (1, OLD), (2, OLD), (2, NEW)}


def test_the_same_where_the_password_is_kept_elsewhere(
    club: Path, cut_elsewhere: Sequence[Path], tmp_path: Path
) -> None:
    (club / vault.PASSWORD_FILE).unlink()
    before, turned = names(club), set()
    for at, folder in copies(cut_elsewhere, tmp_path):
        by_old, by_new = held(folder, OLD), held(folder, NEW)
        assert {**by_old, **by_new} == ALL, at
        turned.add(len(by_new))
        assert not vault_password.change_password(folder, OLD, NEW).file_changed
        assert held(folder, NEW) == ALL, at
        assert names(folder) == before, at
    assert turned == {0, 1, 2}


def test_nothing_is_turned_before_all_is_synced(club: Path) -> None:
    """A disk may write in any order what it was not told to sync."""
    told: list[tuple[str, str]] = []
    before = {name: getattr(os, name) for name in ("fsync", "replace")}

    def fsync(descriptor: int) -> None:
        told.append(("fsync", os.path.basename(os.readlink(f"/proc/self/fd/{descriptor}"))))
        before["fsync"](descriptor)

    def replace(source: Path, target: Path) -> None:
        told.append(("replace", os.path.basename(target)))
        before["replace"](source, target)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", fsync)
        patch.setattr(os, "replace", replace)
        vault_password.change_password(club, OLD, NEW)
    order = [name for kind, name in told if kind == "replace"]
    # The new password itself is put there whole first.
    assert order == [".vault-password.new", "dunlin.secrets.yml", "notes", ".vault-password"]
    first = told.index(("replace", "dunlin.secrets.yml"))
    assert {".dunlin.secrets.yml.new", ".notes.new", "boats"} <= {name for _, name in told[:first]}
    assert told[first - 1] == ("fsync", "boats")
    last = told.index(("replace", ".vault-password"))
    assert told[last - 1] == ("fsync", "boats") == told[-1]


def test_a_disk_that_refuses_a_step(club: Path, tmp_path: Path) -> None:
    """The error is reported, and either nothing was changed or a second run finishes the change."""

    def full() -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    before, told = names(club), set()
    for at in range(1, MANY):
        folder = tmp_path / "full" / str(at)
        shutil.copytree(club, folder)
        cut = Cut(at, full)
        try:
            with cut:
                vault_password.change_password(folder, OLD, NEW)
        except UserError as error:
            untouched = held(folder, OLD) == ALL and (
                folder / vault.PASSWORD_FILE
            ).read_bytes() == (OLD + b"\n")
            assert "No space left" in error.message
            assert error.hint
            assert {**held(folder, OLD), **held(folder, NEW)} == ALL
            told.add("broke off" in error.message)
            if "broke off" not in error.message:
                assert untouched
                assert names(folder) == before
            kept = (folder / vault.PASSWORD_FILE).read_bytes().strip()
            vault_password.change_password(folder, kept, NEW)
        assert held(folder, NEW) == ALL
        assert names(folder) == before
        if cut.count < at:
            break
    else:
        raise AssertionError("there are more steps than are tried")
    assert told == {True, False}


def test_another_new_password_after_a_cut_loses_nothing(
    cut_elsewhere: Sequence[Path], tmp_path: Path
) -> None:
    half_way = [folder for folder in cut_elsewhere if len(held(folder, NEW)) == 1]
    assert half_way
    for _, folder in copies(half_way, tmp_path):
        with pytest.raises(UserError, match="opens neither") as caught:
            vault_password.change_password(folder, OLD, b"a third one")
        assert "cut off" in caught.value.hint
        assert {**held(folder, OLD), **held(folder, NEW)} == ALL
        vault_password.change_password(folder, OLD, NEW)
        assert held(folder, NEW) == ALL


def test_a_file_of_another_password_stops_it(club: Path) -> None:
    private_file.write(club / "other.yml", vault.encrypt("of others", b"their own"))
    before = contents(club)
    with pytest.raises(UserError, match="opens neither") as caught:
        vault_password.change_password(club, OLD, NEW)
    assert caught.value.location and caught.value.location.file == club / "other.yml"
    assert contents(club) == before


def test_a_link_stops_it(club: Path, tmp_path: Path) -> None:
    """The link's target may belong to a folder that keeps its password."""
    (club / "notes").rename(tmp_path / "notes")
    (club / "notes").symlink_to(tmp_path / "notes")
    with pytest.raises(UserError, match="is a link") as caught:
        vault_password.change_password(club, OLD, NEW)
    assert caught.value.location and caught.value.location.file == club / "notes"
    assert held(club, OLD) == ALL


def test_a_file_that_is_written_meanwhile_is_not_lost(
    club: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sync = vault_password.sync_folder

    def meanwhile(folder: Path) -> None:
        if held(folder, OLD) == ALL:
            private_file.write(folder / "notes", vault.encrypt("later", OLD), replace=True)
        sync(folder)

    with monkeypatch.context() as patch:
        patch.setattr(vault_password, "sync_folder", meanwhile)
        with pytest.raises(UserError, match="meanwhile"):
            vault_password.change_password(club, OLD, NEW)
    vault_password.change_password(club, OLD, NEW)
    assert held(club, NEW) == {**ALL, "notes": b"later"}


def test_what_is_no_vault_is_left_alone(club: Path) -> None:
    os.mkfifo(club / "pipe.yml")
    (club / "loop.yml").symlink_to("loop.yml")
    (club / "folder").mkdir()
    (club / ".#notes").write_bytes((club / "notes").read_bytes())
    hidden = (club / ".#notes").read_bytes()
    vault_password.change_password(club, OLD, NEW)
    assert held(club, NEW) == ALL
    assert (club / ".#notes").read_bytes() == hidden


def test_a_password_file_that_is_a_link_or_another_is_left_alone(
    club: Path, tmp_path: Path
) -> None:
    (club / vault.PASSWORD_FILE).rename(tmp_path / "kept")
    (club / vault.PASSWORD_FILE).symlink_to(tmp_path / "kept")
    assert not vault_password.change_password(club, OLD, NEW).file_changed
    assert (tmp_path / "kept").read_bytes().strip() == OLD


def test_an_interrupted_change_says_how_to_go_on(cut: Sequence[Path]) -> None:
    seen = 0
    for folder in cut:
        kept = (folder / vault.PASSWORD_FILE).read_bytes().strip()
        if held(folder, NEW) and kept == OLD:
            with pytest.raises(UserError) as caught:
                vault.decrypt(folder / "dunlin.secrets.yml", OLD)
            assert f"--change-vault-password --boats {folder}" in caught.value.hint
            seen += 1
    assert seen


def test_no_password_in_the_clear_is_shared_after_a_cut(club: Path, cut: Sequence[Path]) -> None:
    subprocess.run(["git", "init", "-q", club], check=True)
    clear = set()
    for folder in cut:
        files = [file for file in folder.iterdir() if file.is_file()]
        clear |= {file.name for file in files if file.read_bytes().startswith(NEW[:5])}
    assert len(clear) > 2
    asked = ["git", "-C", club, "check-ignore", "--no-index", *clear]
    done = subprocess.run(asked, capture_output=True, text=True, check=True)
    assert set(done.stdout.split()) == clear


def test_what_no_change_begins_with(club: Path, tmp_path: Path) -> None:
    vault_password.check_old(club, OLD)
    with pytest.raises(UserError, match="opens no file"):
        vault_password.check_old(club, NEW)
    for name in ALL:
        (club / name).unlink()
    vault_password.check_old(club, OLD)
    with pytest.raises(UserError, match="nothing that is encrypted"):
        vault_password.check_old(club, NEW)


@pytest.mark.parametrize("new", ["short12", " of seven seas", "of seven seas\n", "of\tseven seas"])
def test_a_new_password_that_is_refused(new: str) -> None:
    with pytest.raises(UserError) as caught:
        vault_password.check_new(new, OLD)
    assert new.strip() not in str(caught.value)
    with pytest.raises(UserError, match="the one before"):
        vault_password.check_new(OLD.decode(), OLD)


def test_the_boats_secrets_are_read_by_the_new_one(club: Path) -> None:
    make_keys(club / "kittiwake.yml", OLD)
    before = store.read(club / "kittiwake.yml", OLD)
    vault_password.change_password(club, OLD, NEW)
    assert store.read(club / "kittiwake.yml", NEW) == before
