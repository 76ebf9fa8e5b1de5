# SPDX-License-Identifier: GPL-3.0-or-later
"""A card that loses power: every state that the data partition may be found in afterwards.

The model is what POSIX promises and no more: the content of a file is safe once that file was
synced, the names in a folder once that folder was, and names reach the card in order. What is
not safe may be there, or not, or be there in part.
"""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

#: Files by name; content by number of the file (inode), as both may be found.
State = dict[str, bytes]


@dataclass
class Step:
    """Holds the card after one system call: what is safe, and what is on its way."""

    safe_names: dict[str, int]
    pending: list[tuple[str, ...]]
    safe_content: dict[int, bytes]
    content: dict[int, bytes]


@dataclass
class Card:
    """Watches one folder through the system calls that are made on it.

    `synced` False makes every sync do nothing: the control that shows what the model finds.
    """

    folder: Path
    synced: frozenset[str] = frozenset({"file", "folder"})
    names: dict[str, int] = field(default_factory=dict)
    content: dict[int, bytes] = field(default_factory=dict)
    steps: list[Step] = field(default_factory=list)
    _safe_names: dict[str, int] = field(default_factory=dict)
    _safe_content: dict[int, bytes] = field(default_factory=dict)
    _pending: list[tuple[str, ...]] = field(default_factory=list)
    _open: dict[int, int | None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for number, file in enumerate(sorted(self.folder.iterdir())):
            self.names[file.name] = number
            self.content[number] = file.read_bytes()
        self._safe_names, self._safe_content = dict(self.names), dict(self.content)
        self._step()

    def watch(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Follow this process's calls."""
        real = {name: getattr(os, name) for name in ("open", "write", "fsync", "replace", "unlink")}

        def opened(path: Any, flags: int, *rest: Any, **more: Any) -> int:
            descriptor: int = real["open"](path, flags, *rest, **more)
            if Path(path) == self.folder:
                self._open[descriptor] = None
            elif Path(path).parent == self.folder:
                name = Path(path).name
                if flags & os.O_CREAT and name not in self.names:
                    self.names[name] = max(self.content, default=-1) + 1
                    self.content[self.names[name]] = b""
                    self._pending.append(("create", name, str(self.names[name])))
                self._open[descriptor] = self.names[name]
            else:
                self._open.pop(descriptor, None)
            self._step()
            return descriptor

        def write(descriptor: int, data: bytes) -> int:
            done: int = real["write"](descriptor, data)
            number = self._open.get(descriptor)
            if number is not None:
                self.content[number] += bytes(data)[:done]
            self._step()
            return done

        def fsync(descriptor: int) -> None:
            real["fsync"](descriptor)
            if descriptor in self._open:
                number = self._open[descriptor]
                if number is None and "folder" in self.synced:
                    self._safe_names, self._pending = dict(self.names), []
                elif number is not None and "file" in self.synced:
                    self._safe_content[number] = self.content[number]
            self._step()

        def replace(source: Any, target: Any) -> None:
            real["replace"](source, target)
            if Path(target).parent == self.folder:
                old, new = Path(source).name, Path(target).name
                self.names[new] = self.names.pop(old)
                self._pending.append(("rename", old, new))
            self._step()

        def unlink(path: Any) -> None:
            real["unlink"](path)
            if Path(path).parent == self.folder:
                self.names.pop(Path(path).name)
                self._pending.append(("unlink", Path(path).name))
            self._step()

        for name, call in (
            ("open", opened),
            ("write", write),
            ("fsync", fsync),
            ("replace", replace),
            ("unlink", unlink),
        ):
            monkeypatch.setattr(os, name, call)

    def _step(self) -> None:
        self.steps.append(
            Step(
                dict(self._safe_names),
                list(self._pending),
                dict(self._safe_content),
                dict(self.content),
            )
        )

    def states(self, step: Step, choices: random.Random, count: int) -> Iterator[State]:
        """States that a power cut after `step` may leave: all numbers of names that got
        through, and for each of them `count` random fates of what was not synced."""
        for reached in range(len(step.pending) + 1):
            names = dict(step.safe_names)
            for what, name, *more in step.pending[:reached]:
                if what == "create":
                    names[name] = int(more[0])
                elif what == "rename":
                    names[more[0]] = names.pop(name)
                else:
                    names.pop(name)
            for _ in range(count):
                yield {n: self._fate(step, number, choices) for n, number in names.items()}

    def _fate(self, step: Step, number: int, choices: random.Random) -> bytes:
        written = step.content[number]
        if step.safe_content.get(number) == written:
            return written
        fates = [
            b"",
            written,
            written[: choices.randrange(len(written) + 1)],
            bytes(len(written)),
            written[: len(written) // 2] + bytes(len(written) - len(written) // 2),
        ]
        return choices.choice(fates)
