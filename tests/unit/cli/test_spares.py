# SPDX-License-Identifier: GPL-3.0-or-later
"""`write --spare`: several boats' cards one after the other, through one reader."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from provision.card.device import write as writing
from provision.card.device.write import WrittenCard
from provision.card.image import host_key as card_key
from provision.card.image import identity as card_image
from provision.card.layout import digests
from provision.errors import UserError
from tests.support.command import Call

SIZE = digests.RECORD_OFFSET + digests.RECORD_SIZE
BOATS = ("dunlin", "kittiwake", "turnstone")


@pytest.fixture(autouse=True)
def simple_images(monkeypatch: pytest.MonkeyPatch) -> None:
    """An image is a file of its boat's name, of which nothing else is read."""
    monkeypatch.setattr(card_image, "read_boat_name", lambda image: image.stem)
    monkeypatch.setattr(card_image, "check_parts", lambda _: None)
    monkeypatch.setattr(card_key, "refuse_lost_card", lambda *_: None)


@pytest.fixture
def images(tmp_path: Path) -> list[Path]:
    """Give an image of each boat, with a record of its own, as `_recognise` reads it."""
    made = []
    for name in BOATS:
        text = f'{{"{name}": 1}}'.encode()
        own = hashlib.sha256(text).hexdigest().encode()
        path = tmp_path / f"{name}.img"
        path.write_bytes(
            bytes(digests.RECORD_OFFSET)
            + (b"another head\n" + own + b" " + text + b"\n").ljust(digests.RECORD_SIZE, b"\0")
        )
        made.append(path)
    return made


class Reader:
    """Stands for a card reader and the person before it, who does one thing at each Enter."""

    def __init__(self, folder: Path) -> None:
        self.slot = folder / "slot"
        self.cards = 0
        self.todo: list[Callable[[], None]] = []
        self.asked = 0

    def put_in(self, size: int = SIZE) -> None:
        """Take out the card, and put in a new one."""
        self.cards += 1
        card = self.slot.with_name(f"card{self.cards}")
        card.write_bytes(b"\xaa" * size)
        self.put_back(self.cards)

    def put_back(self, number: int) -> None:
        """Take out the card, and put in an earlier one."""
        self.slot.unlink(missing_ok=True)
        self.slot.symlink_to(self.slot.with_name(f"card{number}"))

    def take_out(self) -> None:
        """Leave the slot empty."""
        self.slot.unlink()

    def readline(self) -> str:
        """Be asked for Enter."""
        if self.asked == len(self.todo):
            return ""
        self.todo[self.asked]()
        self.asked += 1
        return "\n"

    def holds(self, number: int, image: Path) -> bool:
        """Tell if a card holds the image."""
        return self.slot.with_name(f"card{number}").read_bytes()[:SIZE] == image.read_bytes()


@pytest.fixture
def reader(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Reader:
    made = Reader(tmp_path)
    made.put_in()
    monkeypatch.setattr(sys, "stdin", made)
    return made


def test_each_boat_gets_a_card_of_its_own(call: Call, images: list[Path], reader: Reader) -> None:
    reader.todo = [reader.put_in, reader.put_in]
    said = call("write", "--spare", *images, reader.slot, "--yes", "--json")
    assert said.status == 0
    assert [card["boat"] for card in said.result["cards"]] == list(BOATS)
    assert all(reader.holds(number, image) for number, image in enumerate(images, 1))
    assert "Put a card for kittiwake into" in said.err
    assert "Put a card for dunlin" not in said.err


def test_the_same_card_again_is_recognised_and_stays(
    call: Call, images: list[Path], reader: Reader
) -> None:
    """Also when another card was in between."""
    reader.todo = [lambda: None, reader.put_in, lambda: reader.put_back(1), reader.put_in]
    said = call("write", "--spare", *images, reader.slot, "--yes")
    assert said.status == 0
    assert "holds what was just written for dunlin; it stays" in said.err
    assert "holds what was just written for kittiwake" not in said.err
    assert said.err.count("just written for dunlin") == 2
    assert all(reader.holds(number, image) for number, image in enumerate(images, 1))


def test_a_card_that_is_refused_or_missing_or_bad_is_asked_for_again(
    call: Call, images: list[Path], reader: Reader, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = writing.write_card
    bad = [True]

    def write_card(image: Path, *words: object, **keys: object) -> WrittenCard:
        if image.stem == "turnstone" and bad:
            bad.pop()
            raise UserError("the card is unusable", hint="take another card")
        return real(image, *words, **keys)  # type: ignore[arg-type]

    monkeypatch.setattr(writing, "write_card", write_card)
    reader.todo = [
        reader.take_out,
        lambda: reader.put_in(size=SIZE - 1),
        *(reader.put_in, reader.put_in, reader.put_in),
    ]
    said = call("write", "--spare", *images, reader.slot, "--yes", "--json")
    assert [card["boat"] for card in said.result["cards"]] == list(BOATS)
    for reason in ("No such file", "too small", "the card is unusable"):
        assert reason in said.err
    assert [reader.holds(number, images[1]) for number in (2, 3)] == [False, True]
    assert [reader.holds(number, images[2]) for number in (4, 5)] == [False, True]


def test_without_another_card_it_says_which_boats_have_theirs(
    call: Call, images: list[Path], reader: Reader
) -> None:
    reader.todo = [reader.put_in]
    said = call("write", "--spare", *images, reader.slot, "--yes", "--json")
    assert said.status == 2
    (error,) = said.result["errors"]
    assert error["message"] == "no card was put in for turnstone; written: dunlin, kittiwake"


@pytest.mark.parametrize("cause", [KeyboardInterrupt, None])
def test_an_interrupted_card_ends_the_work(
    call: Call,
    images: list[Path],
    reader: Reader,
    monkeypatch: pytest.MonkeyPatch,
    cause: type[BaseException] | None,
) -> None:
    """Any other failure asks for another card."""

    def write_card(*_: object, **__: object) -> None:
        raise UserError("Writing was interrupted") from (cause() if cause else None)

    monkeypatch.setattr(writing, "write_card", write_card)
    said = call("write", "--spare", *images, reader.slot, "--yes", "--json")
    (error,) = said.result["errors"]
    assert error["message"] == (
        "Writing was interrupted" if cause else "no card was put in for dunlin; written: none"
    )


def test_all_images_are_checked_before_any_card_is_touched(
    call: Call, images: list[Path], reader: Reader, monkeypatch: pytest.MonkeyPatch
) -> None:
    def check(image: Path) -> None:
        if image == images[2]:
            raise UserError("the image is damaged")

    monkeypatch.setattr(card_image, "check_parts", check)
    said = call("write", "--spare", *images, reader.slot, "--yes", "--json")
    assert said.result["errors"][0]["message"] == "the image is damaged"
    assert reader.slot.read_bytes() == b"\xaa" * SIZE


def test_boats_have_the_images_beside_their_profiles(
    call: Call, boats: Path, images: list[Path], reader: Reader
) -> None:
    said = call("write", "--spare", "dunlin", reader.slot, "--yes", "--json", "--boats", boats)
    assert "there is no image of dunlin's card here" in said.result["errors"][0]["message"]
    assert "provision card" in said.result["errors"][0]["hint"]
    for image in images:
        image.rename(boats / image.name)
    reader.todo = [reader.put_in]
    words = ("dunlin", "kittiwake", reader.slot, "--yes", "--json", "--boats", boats)
    said = call("write", "--spare", *words)
    assert [card["boat"] for card in said.result["cards"]] == ["dunlin", "kittiwake"]
    assert f"{boats / 'dunlin.img'}, built on 20" in " ".join(said.err.split())


def test_words_that_make_no_sense(call: Call, images: list[Path], reader: Reader) -> None:
    for words, message in (
        (("--spare", *images[:2]), "is an image, and no card"),
        (("--spare", images[0], "turnstone"), "turnstone is no card"),
        ((images[0], images[1], reader.slot), "more than an image and a card"),
    ):
        said = call("write", *words, "--yes", "--json")
        assert said.status == 2, words
        assert reader.slot.read_bytes() == b"\xaa" * SIZE
        assert message in said.result["errors"][0]["message"]
