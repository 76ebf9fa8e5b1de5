# SPDX-License-Identifier: GPL-3.0-or-later
"""The settings archive: the same bytes each time, and a manifest that tells the truth."""

from __future__ import annotations

import hashlib
import io
import json
import os
import stat
import subprocess
import tarfile
from pathlib import Path

import pytest

from provision import __version__
from provision.errors import Location, UserError
from provision.profile.load import Boat
from provision.profile.secrets.keygen import generate_private_key
from provision.profile.secrets.store import Secrets
from provision.render import Symlink, render, write
from tests.support.render_rig import BOATS, KEY, SECRETS, Render, boat, text


def members(archive: bytes) -> dict[str, tarfile.TarInfo]:
    with tarfile.open(fileobj=io.BytesIO(archive)) as tar:
        return {member.name: member for member in tar}


@pytest.mark.parametrize(
    "change",
    [
        {"boat": "gannet"},
        {"board": "bcm2711-rpi-4-b"},
        {"network": {"address": "10.47.1.2/24"}},
        {"feed": {"tcp": 10111}},
    ],
)
def test_another_profile_makes_other_bytes(rendered: Render, change: dict[str, object]) -> None:
    assert rendered(**change).sha256 != rendered().sha256


def test_another_secret_makes_other_bytes(rendered: Render, tmp_path: Path) -> None:
    for secrets in (
        Secrets(pass_phrase="another one", host_key=SECRETS.host_key),
        Secrets(pass_phrase=SECRETS.pass_phrase, host_key=generate_private_key()),
    ):
        other = render(boat(tmp_path), secrets)
        assert other.sha256 != rendered().sha256


@pytest.mark.parametrize("boat", BOATS)
def test_members_are_sorted_and_unpack_in_order_as_root(rendered: Render, boat: str) -> None:
    found = members(rendered(**BOATS[boat]).archive)
    assert list(found) == sorted(found)
    for name, member in found.items():
        assert not name.startswith(("/", "."))
        assert (member.uid, member.gid, member.mtime) == (0, 0, 1767225600)
        assert member.isdir() or member.isreg() or member.issym()
        if member.isdir():
            assert member.mode == 0o755
        parent = name.rpartition("/")[0]
        assert not parent or found[parent].isdir()


def test_no_pax_header_is_needed(rendered: Render) -> None:
    archive = rendered().archive
    types = set()
    offset = 0
    while archive[offset] != 0:
        types.add(archive[offset + 156 : offset + 157])
        size = int(archive[offset + 124 : offset + 135], 8)
        offset += 512 * (1 + (size + 511) // 512)
    assert types == {tarfile.REGTYPE, tarfile.SYMTYPE, tarfile.DIRTYPE}


@pytest.mark.parametrize("boat", BOATS)
def test_the_manifest_names_all_else_and_its_sums_are_right(rendered: Render, boat: str) -> None:
    settings = rendered(**BOATS[boat])
    manifest = json.loads(text(settings, "/etc/boat/manifest.json"))
    assert manifest == json.loads(json.dumps(settings.manifest))
    with tarfile.open(fileobj=io.BytesIO(settings.archive)) as tar:
        found = {}
        for member in tar:
            if member.issym():
                found[f"/{member.name}"] = {"link": member.linkname}
            elif member.isreg() and member.name != "etc/boat/manifest.json":
                stream = tar.extractfile(member)
                assert stream is not None
                digest = hashlib.sha256(stream.read()).hexdigest()
                found[f"/{member.name}"] = {"mode": f"{member.mode:04o}", "sha256": digest}
    assert manifest["files"] == found
    head = {key: manifest[key] for key in ("format", "boat", "board", "base", "version")}
    assert head == {
        "format": 1,
        "boat": "kittiwake",
        "board": "x86-64",
        "base": 1,
        "version": __version__,
    }


def test_only_files_that_root_alone_reads_hold_a_secret(rendered: Render) -> None:
    settings = rendered()
    psk = text(settings, "/etc/hostapd/boat.conf").partition("wpa_psk=")[2].splitlines()[0]
    key_body = SECRETS.host_key.splitlines()[2]
    holders = {}
    for path, entry in settings.files.items():
        if isinstance(entry, Symlink):
            continue
        content = entry.content.decode()
        if any(secret in content for secret in (SECRETS.pass_phrase, psk, key_body)):
            holders[path] = entry.mode
    assert holders == {"/etc/hostapd/boat.conf": 0o600, "/etc/ssh/ssh_host_ed25519_key": 0o600}


def test_written_files_match_digests_and_keep_secrets_private(
    rendered: Render, tmp_path: Path
) -> None:
    out = tmp_path / "made" / "here"
    before = os.umask(0)
    try:
        write(rendered(), out)
        write(rendered(boat="gannet"), out)
    finally:
        os.umask(before)
    check = ["sha256sum", "-c", "settings.sha256"]
    assert subprocess.run(check, cwd=out, check=True, capture_output=True).stdout
    for name in ("settings.tar", "settings.sha256", "tree/etc/hostapd/boat.conf"):
        assert stat.S_IMODE((out / name).stat().st_mode) == 0o600
    assert (out / "tree/etc/hostname").read_text() == "gannet\n"
    assert os.access(out / "tree/usr/bin/boat-feed", os.X_OK)
    assert (out / "tree/etc/systemd/system/getty@.service").readlink() == Path("/dev/null")


def test_nothing_is_removed_that_it_did_not_make(rendered: Render, tmp_path: Path) -> None:
    own = tmp_path / "tree" / "own"
    own.parent.mkdir()
    own.touch()
    with pytest.raises(UserError, match="may be a file of yours") as caught:
        write(rendered(), tmp_path)
    assert caught.value.location == Location(tmp_path / "tree")
    assert [path.name for path in tmp_path.iterdir()] == ["tree"]
    assert own.exists()
    # Nor through a link that took the place of an earlier tree.
    write(rendered(), tmp_path / "out")
    (tmp_path / "out" / "tree").rename(tmp_path / "kept")
    (tmp_path / "out" / "tree").symlink_to(tmp_path / "kept")
    write(rendered(boat="gannet"), tmp_path / "out")
    assert (tmp_path / "kept/etc/hostname").read_text() == "kittiwake\n"
    assert (tmp_path / "out/tree/etc/hostname").read_text() == "gannet\n"


@pytest.mark.parametrize("name", ["settings.tar", "settings.sha256"])
def test_files_of_the_user_are_not_replaced(rendered: Render, tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine")
    with pytest.raises(UserError, match="may be a file of yours"):
        write(rendered(), tmp_path)
    assert (tmp_path / name).read_text() == "mine"
    assert [path.name for path in tmp_path.iterdir()] == [name]


@pytest.mark.parametrize("name", ["file", "file/below", "x" * 300])
def test_a_folder_that_cannot_be_made(rendered: Render, tmp_path: Path, name: str) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(UserError, match="cannot be written") as caught:
        write(rendered(), tmp_path / name)
    assert caught.value.location
    assert str(caught.value.location.file).startswith(str(tmp_path))
    assert caught.value.hint


def test_a_key_file_is_read_and_a_missing_one_gets_a_hint(tmp_path: Path) -> None:
    asked = boat(tmp_path, access={"keys": [KEY, "mate.pub"]})
    location = Location(asked.file, 7, 3, "access.keys[1]")
    asked = Boat(asked.profile, asked.file, {"access.keys[1]": location})
    with pytest.raises(UserError, match=r"mate\.pub is not there") as caught:
        render(asked, SECRETS)
    assert caught.value.location == location
    assert f"provision keys {tmp_path}/kittiwake.yml makes" in caught.value.hint
    (tmp_path / "mate.pub").write_text(f"{KEY}\n")
    settings = render(asked, SECRETS)
    assert text(settings, "/etc/ssh/authorized_keys/root") == f"{KEY}\n"


def test_a_key_file_cannot_bring_options(tmp_path: Path) -> None:
    (tmp_path / "mate.pub").write_text(f'command="reboot" {KEY}\n')
    with pytest.raises(UserError):
        render(boat(tmp_path, access={"keys": ["mate.pub"]}), SECRETS)
