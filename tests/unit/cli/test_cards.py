# SPDX-License-Identifier: GPL-3.0-or-later
"""write and card: what is asked, what is refused, and that standard output is the result's."""

from __future__ import annotations

import io
import os
import sys
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from provision.card.base import cache
from provision.card.device import block_devices

# Whole, before a test replaces a part of it: a command imports what it needs when it runs.
from provision.card.image import assemble as assembling
from provision.card.image import identity as card_image
from provision.render import Settings
from tests.support.command import Call
from tests.support.profiles import contents


@pytest.fixture
def image(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give an image that says of itself that it is dunlin's."""
    monkeypatch.setattr(card_image, "read_boat_name", lambda _: "dunlin")
    monkeypatch.setattr(card_image, "check_parts", lambda _: None)
    path = tmp_path / "dunlin.img"
    path.write_bytes(b"image" * 1000)
    return path


@pytest.fixture
def target(tmp_path: Path) -> Path:
    path = tmp_path / "card"
    path.write_bytes(bytes(8192))
    return path


@pytest.mark.parametrize("typed", ["", "kittiwake\n", "y\n", "DUNLIN\n"])
def test_without_the_boats_name_nothing_is_written(
    call: Call, image: Path, target: Path, monkeypatch: pytest.MonkeyPatch, typed: str
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    said = call("write", image, target, "--json")
    assert said.status == 2
    (error,) = said.result["errors"]
    assert "nothing was written" in error["message"]
    assert "--yes" in error["hint"]
    assert target.read_bytes() == bytes(8192)


@pytest.mark.parametrize("typed", ["dunlin\n", None])
def test_with_it_the_card_is_written(
    call: Call, image: Path, target: Path, monkeypatch: pytest.MonkeyPatch, typed: str | None
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed or ""))
    said = call("write", image, target, "--json", *([] if typed else ["--yes"]))
    assert said.status == 0
    assert said.result["size"] == 5000
    assert ("will replace all that is on" in said.err) == bool(typed)
    assert target.read_bytes() == image.read_bytes() + bytes(3192)


@pytest.mark.parametrize("words", [["write"], ["keys", "dunlin", "--stolen"]])
def test_ctrl_c_at_a_question_is_no_answer(
    call: Call,
    boats: Path,
    image: Path,
    target: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
) -> None:
    class Interrupted(io.StringIO):
        def readline(self, *size: int) -> str:  # type: ignore[override]
            raise KeyboardInterrupt

    call("keys", "dunlin", "--boats", boats)
    before = (boats / "dunlin.secrets.yml").read_bytes()
    monkeypatch.setattr(sys, "stdin", Interrupted())
    said = call(*words, *([image, target] if words == ["write"] else []), "--boats", boats)
    assert said.status == 130
    assert "stopped by Ctrl-C" in said.err
    assert "--yes" not in said.err
    assert (boats / "dunlin.secrets.yml").read_bytes() == before
    assert target.read_bytes() == bytes(8192)


def test_an_image_that_was_not_checked_for_theft(
    call: Call, boats: Path, image: Path, target: Path, tmp_path: Path
) -> None:
    """No folder with its boat is here, which would know of a loss."""
    said = call("write", image, target, "--yes", "--boats", tmp_path / "none")
    assert said.status == 0
    assert "not checked" in said.err and "lost or stolen" in said.err and "--boats" in said.err
    assert "stolen" not in call("write", image, target, "--yes", "--boats", boats).err


def test_a_card_says_what_check_finds(
    call: Call, boats: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cache, "get_base", lambda board, built_since: SimpleNamespace(facts={}))
    monkeypatch.setattr(assembling, "assemble", lambda *_: SimpleNamespace(size=1))
    call("keys", "dunlin", "--boats", boats)
    words = ("card", "dunlin", "--boats", boats, "-o", tmp_path / "dunlin.img")
    assert "found in dunlin" not in call(*words).err
    profile = boats / "dunlin.yml"
    profile.write_text(profile.read_text().replace("[RMC, GGA, VTG]", "[RMC, RCM, VTG]"))
    said = call(*words, "--json")
    assert said.result["boat"] == "dunlin"
    assert "1 warning found in dunlin: provision check" in said.err


def test_another_card_put_in_during_the_question(
    call: Call, image: Path, target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The device is looked at again, and nothing is written."""

    class Answer(io.StringIO):
        def readline(self, *size: int) -> str:  # type: ignore[override]
            target.rename(target.with_name("before"))
            target.write_bytes(b"mine" * 2048)
            return "dunlin\n"

    monkeypatch.setattr(sys, "stdin", Answer())
    said = call("write", image, target, "--json")
    assert said.status == 2
    assert "not what it was before the question" in said.result["errors"][0]["message"]
    assert target.read_bytes() == b"mine" * 2048


@pytest.mark.parametrize(
    "change",
    [{"serial": "0002"}, {"size": 8191}, {"mounts": ("/media/boot",)}, {"instance": "9:9"}],
    ids=lambda change: next(iter(change)),
)
@pytest.mark.parametrize("words", [["--yes"], []])
def test_the_device_is_looked_at_again(
    call: Call,
    image: Path,
    target: Path,
    monkeypatch: pytest.MonkeyPatch,
    change: dict[str, Any],
    words: list[str],
) -> None:
    """Also without a question: checking an image takes a while."""
    before = block_devices.find_device(target)
    seen = [before, replace(before, **change)]
    monkeypatch.setattr(block_devices, "find_device", lambda _: seen.pop(0))
    monkeypatch.setattr(sys, "stdin", io.StringIO("dunlin\n"))
    said = call("write", image, target, "--json", *words)
    assert said.status == 2
    assert "not what it was before the question" in said.result["errors"][0]["message"]
    assert target.read_bytes() == bytes(8192)


def test_a_card_does_not_replace_the_users_own_files(
    call: Call, boats: Path, tmp_path: Path
) -> None:
    """The profile, the secrets, the operator's key, by themselves and through links."""
    call("keys", "dunlin", "--boats", boats)
    link, hard = tmp_path / "link.img", tmp_path / "hard.img"
    link.symlink_to(boats / "dunlin.yml")
    hard.hardlink_to(boats / "operator")
    before = contents(boats)
    for out in (*(boats / name for name in before), link, hard):
        said = call("card", "dunlin", "--boats", boats, "-o", out, "--json")
        assert said.status == 2
        (error,) = said.result["errors"]
        assert "it stays as it is" in error["message"]
        assert error["file"] == str(out) and error["hint"]
    assert contents(boats) == before
    nowhere = tmp_path / "nowhere.img"
    nowhere.symlink_to(tmp_path / "absent")
    said = call("card", "dunlin", "--boats", boats, "-o", nowhere, "--json")
    assert "leads nowhere" in said.result["errors"][0]["message"]


def test_an_image_that_is_none(call: Call, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "text").write_text("text")
    for name, message in (
        ("absent", "No such file"),
        ("x" * 300, "too long"),
        ("pipe", "no image file"),
        (".", "no image file"),
        ("text", "not the image of a boat's card"),
    ):
        said = call("write", tmp_path / name, "--json")
        assert said.status == 2
        (error,) = said.result["errors"]
        assert message in error["message"]
        assert error["hint"]


def test_cards_are_listed(call: Call, image: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(block_devices, "list_candidates", lambda: [])
    assert call("write", image, "--json").result == {"devices": []}
    assert "plug one in" in call("write", image).out


def test_a_card_is_built_into_a_file(call: Call, boats: Path, tmp_path: Path) -> None:
    absent = tmp_path / "absent" / "dunlin.img"
    for out in ("/dev/null", tmp_path, absent, tmp_path / ("x" * 300)):
        said = call("card", "dunlin", "--boats", boats, "-o", out, "--json")
        assert said.status == 2
        (error,) = said.result["errors"]
        assert error["file"] in (str(out), str(Path(out).parent))
        assert error["hint"]


def test_what_will_not_work_is_told_before_a_card_is_built(
    call: Call, boats: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No card is built, unless `--anyway` asks for it."""
    profile = boats / "dunlin.yml"
    text = profile.read_text()
    line = text.count("\n") + 1
    profile.write_text(f"{text}feed: {{tcp: 700}}\n")
    call("keys", "dunlin", "--boats", boats)
    (tmp_path / "cache").touch()
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    words = ("card", "dunlin", "--boats", boats, "-o", tmp_path / "dunlin.img", "--json")
    said = call(*words)
    assert said.status == 2
    found, last = said.result["errors"]
    assert (found["file"], found["line"]) == (str(profile), line)
    assert "port 700 needs privileges" in found["message"]
    assert last["message"] == "no card was built"
    assert "--anyway" in last["hint"]
    said = call(*words, "--anyway")
    assert f"{profile}:{line}" in said.err
    assert "error: port 700 needs privileges" in said.err
    assert said.result["errors"][0]["file"] == str(tmp_path / "cache" / "provision")


@pytest.fixture
def built(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, Path]]:
    """Give the cards that were put together, which takes no base here."""
    made: list[tuple[str, Path]] = []

    def assemble(
        _: object, settings: Settings, __: object, image: Path, restored: object
    ) -> SimpleNamespace:
        assert not restored
        made.append((str(settings.manifest["boat"]), image))
        return SimpleNamespace(size=1)

    monkeypatch.setattr(cache, "get_base", lambda _, built_since: SimpleNamespace(facts={}))
    monkeypatch.setattr(assembling, "assemble", assemble)
    return made


def test_cards_of_several_boats_go_into_a_folder(
    call: Call, boats: Path, tmp_path: Path, built: list[tuple[str, Path]]
) -> None:
    call("keys", "--all", "--boats", boats)
    out = tmp_path / "cards"
    for words in (("--all",), ("turnstone", "dunlin", str(boats / "dunlin.yml"))):
        said = call("card", *words, "--boats", boats, "-o", out, "--json")
        names = [card["boat"] for card in said.result["cards"]]
        assert names == [name for name, _ in built]
        assert [Path(card["image"]) for card in said.result["cards"]] == [
            out / f"{name}.img" for name in names
        ]
        assert built
        built.clear()
    one = call("card", "dunlin", "--boats", boats, "-o", out / "d.img", "--json").result
    assert (one["boat"], one["image"]) == ("dunlin", str(out / "d.img"))
    people = call("card", "--all", "--boats", boats, "-o", out).out
    assert [line.split(":")[0] for line in people.splitlines()] == [
        str(out / f"{name}.img") for name in ("dunlin", "kittiwake", "turnstone")
    ]


def test_of_several_cards_none_is_built_when_check_finds_an_error(
    call: Call, boats: Path, tmp_path: Path, built: list[tuple[str, Path]]
) -> None:
    call("keys", "--all", "--boats", boats)
    profile = boats / "turnstone.yml"
    profile.write_text(f"{profile.read_text()}feed: {{tcp: 700}}\n")
    said = call("card", "--all", "--boats", boats, "-o", tmp_path / "cards", "--json")
    assert (said.status, built) == (2, [])
    assert said.result["errors"][0]["file"] == str(profile)
    (tmp_path / "file").touch()
    said = call("card", "--all", "--boats", boats, "-o", tmp_path / "file", "--json")
    assert (said.status, built) == (2, [])
    assert "folder" in said.result["errors"][0]["hint"]


def test_where_no_base_can_be_kept(
    call: Call, boats: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    call("keys", "dunlin", "--boats", boats)
    (tmp_path / "file").touch()
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    said = call("card", "dunlin", "--boats", boats, "-o", tmp_path / "dunlin.img", "--json")
    assert said.status == 2
    (error,) = said.result["errors"]
    assert error["file"] == str(tmp_path / "file" / "provision")
    assert "$XDG_CACHE_HOME" in error["hint"]
    assert not (tmp_path / "dunlin.img").exists()


def test_only_a_fresh_card_asks_for_a_new_base(
    call: Call, boats: Path, tmp_path: Path, built: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All cards of one call ask for a base of the same moment, so that it is built once."""
    asked: list[float] = []
    facts = {"built": time.time() - 3.5 * 86400}

    def get_base(_: object, built_since: float) -> SimpleNamespace:
        asked.append(built_since)
        return SimpleNamespace(facts=facts)

    monkeypatch.setattr(cache, "get_base", get_base)
    call("keys", "--all", "--boats", boats)
    words = ("card", "dunlin", "turnstone", "--boats", boats, "-o", tmp_path / "cards")
    assert "3 days old" in call(*words).out
    assert asked == [0.0, 0.0]
    before = time.time()
    call(*words, "--fresh")
    assert before <= asked[2] == asked[3] <= time.time()
