# SPDX-License-Identifier: GPL-3.0-or-later
"""A folder with one boat that is wrong: it is told of, and the others go on."""

from __future__ import annotations

import shlex
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from provision.cli import main
from provision.cli.boats.asked import endpoints_at, load_named_or_all
from provision.errors import UserError, UserErrors
from provision.profile import load
from provision.profile.scaffold import create_club
from provision.profile.secrets import vault
from provision.profile.secrets.keygen import make_keys
from provision.push.load import load_boats
from provision.push.result import Outcome

NAMES = ("dunlin", "kittiwake", "turnstone")


@pytest.fixture
def files(tmp_path: Path) -> dict[str, Path]:
    """Three boats with secrets."""
    boats = tmp_path / "boats"
    create_club(boats)
    found = {name: boats / f"{name}.yml" for name in NAMES}
    for file in found.values():
        make_keys(file, vault.read_password(boats))
    return found


def no_yaml(file: Path) -> None:
    file.write_text("boat: [\n")


def no_such_board(file: Path) -> None:
    file.write_text(file.read_text().replace("board: ", "board: no-"))


def same_name(file: Path) -> None:
    file.write_text(file.read_text().replace("boat: kittiwake", "boat: dunlin"))


def no_secrets(file: Path) -> None:
    file.with_suffix(".secrets.yml").unlink()


def anothers_secrets(file: Path) -> None:
    secrets = file.with_suffix(".secrets.yml")
    secrets.unlink()
    secrets.write_bytes(vault.encrypt("pass_phrase: nothing\n", b"another password"))


@pytest.mark.parametrize(
    ("spoil", "words", "matter"),
    [
        (no_yaml, "kittiwake.yml:", "wrong"),
        (no_such_board, "no-x86-64", "wrong"),
        (same_name, "about a boat dunlin, too", "wrong"),
        (no_secrets, "has no secrets yet", "no secrets"),
        (anothers_secrets, "kittiwake.secrets.yml", "secrets wrong"),
    ],
)
def test_the_others_are_gathered(
    files: dict[str, Path], spoil: Callable[[Path], None], words: str, matter: str
) -> None:
    spoil(files["kittiwake"])
    valid, (wrong,) = load_boats(list(files.values()), None)
    assert [open_boat.name for open_boat in valid] == ["dunlin", "turnstone"]
    result, status = wrong.result(), wrong.status()
    assert (result.boat, result.outcome, result.succeeded) == ("kittiwake", Outcome.REFUSED, False)
    assert words in result.reason
    assert (status.boat, status.endpoint, status.up_to_date) == ("kittiwake", None, False)
    assert status.reason == result.reason
    assert status.invalid == matter


@pytest.mark.parametrize("copy", ["a copy of kittiwake.yml", "kittiwake copy.yml", "z.yml"])
def test_a_forgotten_copy_takes_nothing_from_its_boat(files: dict[str, Path], copy: str) -> None:
    """The copy may have any name, with or without the secrets beside it."""
    folder, secret = files["kittiwake"].parent, "kittiwake.secrets.yml"
    shutil.copy(files["kittiwake"], folder / copy)
    shutil.copy(folder / secret, folder / copy.replace(".yml", ".secrets.yml"))
    valid, (wrong,) = load_boats(load.list_profiles(folder), None)
    assert [open_boat.boat.file for open_boat in valid] == list(files.values())
    assert wrong.file == folder / copy
    assert f"{files['kittiwake']} is about a boat kittiwake, too" in wrong.reason
    assert wrong.result().hint


def test_the_command_that_makes_secrets_works_as_it_stands(
    files: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Wherever the boats are, and whatever their folder is called."""
    folder = files["kittiwake"].parent.rename(files["kittiwake"].parents[1] / "our boats")
    file = folder / "kittiwake.yml"
    no_secrets(file)
    _, (wrong,) = load_boats([file], None)
    program, *words = shlex.split(wrong.result().hint)
    assert program == "provision"
    monkeypatch.setattr("sys.argv", [program, *words])
    with pytest.raises(SystemExit) as ended:
        main()
    assert not ended.value.code
    assert load_boats([file], None)[1] == []


def test_names_are_taken_once_and_those_that_are_wrong_apart(files: dict[str, Path]) -> None:
    no_yaml(files["kittiwake"])
    boats = files["dunlin"].parent
    names = ["dunlin", "kittiwake", str(files["dunlin"]), "dunlin"]
    valid, (wrong,) = load_named_or_all(names, boats, None)
    assert ([open_boat.name for open_boat in valid], wrong.name) == (["dunlin"], "kittiwake")


def test_a_place_of_a_boat_that_is_not_among_them(files: dict[str, Path]) -> None:
    """A mistyped name would otherwise send the push to another endpoint."""
    no_secrets(files["kittiwake"])
    valid, invalid = load_boats(list(files.values()), None)
    said = ["dunlin=127.0.0.1:2222", "kittiwake=127.0.0.1:2223"]
    assert set(endpoints_at(said, [*valid, *invalid])) == {"dunlin", "kittiwake"}
    with pytest.raises(UserError, match="says where dunlni answers"):
        endpoints_at(["dunlni=127.0.0.1"], [*valid, *invalid])


def test_nothing_is_left_of_those_that_were_named(files: dict[str, Path]) -> None:
    """Then all that is wrong is told at once."""
    for name in ("kittiwake", "turnstone"):
        no_secrets(files[name])
    with pytest.raises(UserErrors) as told:
        load_named_or_all(["kittiwake", "turnstone"], files["dunlin"].parent, None)
    assert [str(error.location).endswith(".secrets.yml") for error in told.value.errors] == [
        True
    ] * 2


def test_all_are_well(files: dict[str, Path]) -> None:
    valid, wrong = load_boats(list(files.values()), None)
    assert ([open_boat.name for open_boat in valid], wrong) == (list(NAMES), [])


def test_a_vault_password_that_is_not_there_ends_it(files: dict[str, Path]) -> None:
    """The password belongs to no single boat."""
    with pytest.raises(UserError):
        load_boats(list(files.values()), files["dunlin"].with_name("no-such-file"))
