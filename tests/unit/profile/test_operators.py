# SPDX-License-Identifier: GPL-3.0-or-later
"""A further person's key is accepted by the boats named and by no other."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from provision.errors import UserError
from provision.profile import access_keys, load
from provision.profile.scaffold import create_club
from provision.profile.secrets import keygen, operators, private_file
from tests.support.profiles import contents

NAMES = ("dunlin", "kittiwake", "turnstone")


@pytest.fixture
def club(tmp_path: Path) -> Path:
    """Give the example club with its operator's key; all have access.keys from club.yml."""
    folder = tmp_path / "boats"
    create_club(folder)
    keygen.make_operator(folder)
    return folder


@pytest.fixture
def mate(tmp_path: Path) -> Path:
    """Give the public half of another person's pair, as ssh-keygen writes it."""
    private_half = tmp_path / "mate"
    command = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "mate@bunk", "-f"]
    subprocess.run([*command, private_half], check=True)
    return private_half.with_suffix(".pub")


def profiles(club: Path, *names: str) -> list[Path]:
    return [club / f"{name}.yml" for name in names or NAMES]


def lets_in(club: Path, line: str) -> set[str]:
    """Return the boats that accept a key."""
    key = line.split()[1]
    boats = [load.read(file) for file in profiles(club)]
    return {
        boat.name for boat in boats if any(key in one for one in access_keys.read_access_keys(boat))
    }


def test_the_whole_folder_accepts_it_by_one_line_of_what_they_share(club: Path, mate: Path) -> None:
    before = contents(club)
    added = operators.add_operator(profiles(club), mate)
    assert lets_in(club, mate.read_text()) == set(NAMES) == set(added.boats)
    assert [file.name for file in added.changed] == ["club.yml"]
    assert added.own == ()
    after = contents(club)
    assert {name for name in after if after[name] != before.get(name)} == {"club.yml", "mate.pub"}
    assert b"access: {keys: [operator.pub, mate.pub]}" in after["club.yml"]
    assert after["mate.pub"] == mate.read_bytes()
    assert (club / "mate.pub").stat().st_mode & 0o777 == 0o644
    # And the operator's own still.
    assert lets_in(club, (club / "operator.pub").read_text()) == set(NAMES)


def test_one_boat_accepts_it_and_no_other(club: Path, mate: Path) -> None:
    before = contents(club)
    added = operators.add_operator(profiles(club, "dunlin"), mate)
    assert lets_in(club, mate.read_text()) == {"dunlin"} == set(added.boats)
    assert lets_in(club, (club / "operator.pub").read_text()) == set(NAMES)
    assert contents(club)["club.yml"] == before["club.yml"]
    assert contents(club)["dunlin.yml"] == (
        before["dunlin.yml"] + b"access: {keys: [operator.pub, mate.pub]}\n"
    )
    assert [file.name for file in added.own] == ["dunlin.yml"]
    # The rest, later: each that has its own list in its own file.
    added = operators.add_operator(profiles(club), mate)
    assert lets_in(club, mate.read_text()) == set(NAMES)
    assert set(added.boats) == {"kittiwake", "turnstone"}
    assert [file.name for file in added.changed] == ["club.yml"]


def test_a_second_time_nothing_changes(club: Path, mate: Path, tmp_path: Path) -> None:
    operators.add_operator(profiles(club), mate)
    before = contents(club)
    again = operators.add_operator(profiles(club), mate)
    assert (again.boats, again.changed) == ((), ())
    # By another name and comment it is the same key.
    other = tmp_path / "other.pub"
    other.write_text(" ".join(mate.read_text().split()[:2]) + " another comment\n")
    assert operators.add_operator(profiles(club), other).boats == ()
    assert contents(club) == before


def test_a_key_that_lies_in_the_folder_already(club: Path, mate: Path) -> None:
    here = club / "mate.pub"
    shutil.copyfile(mate, here)
    operators.add_operator(profiles(club, "dunlin"), here)
    assert lets_in(club, mate.read_text()) == {"dunlin"}


def test_a_key_that_is_named_but_not_there(club: Path, mate: Path) -> None:
    file = club / "club.yml"
    file.write_text(file.read_text().replace("[operator.pub]", "[operator.pub, mate.pub]"))
    before = contents(club)
    added = operators.add_operator(profiles(club), mate)
    assert (set(added.boats), added.changed) == (set(NAMES), ())
    assert lets_in(club, mate.read_text()) == set(NAMES)
    assert contents(club) == {**before, "mate.pub": mate.read_bytes()}


def test_line_ends_mode_and_the_mark_at_the_start_stay(club: Path, mate: Path) -> None:
    file = club / "club.yml"
    file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes().replace(b"\n", b"\r\n"))
    file.chmod(0o664)
    before = file.read_bytes()
    operators.add_operator(profiles(club), mate)
    assert file.read_bytes() == before.replace(b"[operator.pub]", b"[operator.pub, mate.pub]")
    assert file.stat().st_mode & 0o777 == 0o664


def test_a_link_to_a_profile_stays_one(club: Path, mate: Path) -> None:
    (club / "club.yml").rename(club / "shared")
    (club / "club.yml").symlink_to("shared")
    operators.add_operator(profiles(club), mate)
    assert (club / "club.yml").is_symlink()
    assert lets_in(club, mate.read_text()) == set(NAMES)


def test_an_unreadable_neighbour_gets_no_new_operator(club: Path, mate: Path) -> None:
    """The neighbour may share the list, and the keys that it would accept are not known."""
    (club / "gull.yml").write_text("boat: gull\nincludes: [club.yml]\n")
    before = contents(club)
    operators.add_operator(profiles(club), mate)
    assert lets_in(club, mate.read_text()) == set(NAMES)
    assert contents(club)["club.yml"] == before["club.yml"]


def test_a_cut_leaves_what_a_second_run_finishes(
    club: Path, mate: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The key is there before any profile names it."""
    write, count = private_file.write, 0

    def cut(file: Path, data: bytes, *, replace: bool = False, mode: int = 0o600) -> None:
        nonlocal count
        count += 1
        if count == at:
            raise KeyboardInterrupt
        write(file, data, replace=replace, mode=mode)

    for at in (1, 2, 3):
        folder, count = tmp_path / str(at), 0
        shutil.copytree(club, folder)
        with monkeypatch.context() as patch:
            patch.setattr(private_file, "write", cut)
            with pytest.raises(KeyboardInterrupt):
                operators.add_operator(profiles(folder, "dunlin", "turnstone"), mate)
        assert len(lets_in(folder, mate.read_text())) == max(0, at - 2)
        operators.add_operator(profiles(folder, "dunlin", "turnstone"), mate)
        assert lets_in(folder, mate.read_text()) == {"dunlin", "turnstone"}


def rsa_line(bits: int) -> str:
    key = rsa.generate_private_key(public_exponent=65537, key_size=bits).public_key()
    return key.public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH).decode()


def test_an_invalid_public_key_is_refused_with_its_location(
    club: Path, mate: Path, tmp_path: Path
) -> None:
    line, before = mate.read_text(), contents(club)
    wrong = {
        mate.with_suffix("").read_text(): (1, "private key"),
        line[:-30]: (1, "no whole"),
        line[:60] + "\n" + line[60:]: (1, "no whole"),
        f"{line}{line[:40]}\n": (2, "no whole"),
        f'command="reboot" {line}': (1, "no whole"),
        f"\n{rsa_line(1024)}\n": (2, "no whole"),
        "---- BEGIN SSH2 PUBLIC KEY ----\n": (1, "another form"),
        "\n\n": (None, "is empty"),
    }
    for text, (number, told) in wrong.items():
        file = tmp_path / "wrong.pub"
        file.write_text(text)
        with pytest.raises(UserError, match=told) as caught:
            operators.add_operator(profiles(club), file)
        assert caught.value.location
        assert (caught.value.location.file, caught.value.location.line) == (file, number)
        assert caught.value.hint
    for missing in (tmp_path / "none.pub", tmp_path):
        with pytest.raises(UserError):
            operators.add_operator(profiles(club), missing)
    assert contents(club) == before


@pytest.mark.parametrize("name", ["mate", "my mate.pub", "-mate.pub", "operator.pub", "taken.pub"])
def test_a_name_that_is_refused(club: Path, mate: Path, tmp_path: Path, name: str) -> None:
    (club / "taken.pub").write_text(rsa_line(2048))
    file = tmp_path / "of others" / name
    file.parent.mkdir()
    shutil.copyfile(mate, file)
    before = contents(club)
    with pytest.raises(UserError) as caught:
        operators.add_operator(profiles(club), file)
    assert caught.value.location and caught.value.location.file == file
    assert "copy it to another name" in caught.value.hint
    assert contents(club) == before


def test_the_name_of_the_folders_own_key_also_where_that_is_not_made(
    tmp_path: Path, mate: Path
) -> None:
    folder = tmp_path / "boats"
    create_club(folder)
    other = tmp_path / "operator.pub"
    shutil.copyfile(mate, other)
    with pytest.raises(UserError, match="folder's own key"):
        operators.add_operator(profiles(folder), other)
    operators.add_operator(profiles(folder), mate)
    keygen.make_operator(folder)
    assert lets_in(folder, mate.read_text()) == set(NAMES)


def test_a_form_that_is_left_to_its_author(club: Path, mate: Path) -> None:
    file = club / "club.yml"
    file.write_text(file.read_text() + "...\n")
    (club / "dunlin.yml").write_text((club / "dunlin.yml").read_text() + "...\n")
    before = contents(club)
    with pytest.raises(UserError, match="left to you") as caught:
        operators.add_operator(profiles(club, "dunlin", "turnstone"), mate)
    assert caught.value.location and caught.value.location.file.name == "dunlin.yml"
    assert "access: {keys: [operator.pub, mate.pub]}" in caught.value.hint
    assert contents(club) == before


def test_boats_of_two_folders(club: Path, mate: Path, tmp_path: Path) -> None:
    create_club(tmp_path / "other")
    with pytest.raises(UserError, match="several folders"):
        operators.add_operator([club / "dunlin.yml", tmp_path / "other" / "dunlin.yml"], mate)
