# SPDX-License-Identifier: GPL-3.0-or-later
"""Define what a report says, apart from how it looks.

Texts may come from a boat, a chip or a profile: they are made harmless when they are written.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from markupsafe import Markup

#: Characters of a reason or a hint. A longer one adds nothing.
MAX_TEXT_CHARS = 600


class Mark(StrEnum):
    """Say how something is. Each is drawn by a pattern, and always has a word beside it."""

    FINE = "fine"
    WATCH = "watch"
    TROUBLE = "trouble"


#: The marks, the worst first.
WORST_FIRST = (Mark.TROUBLE, Mark.WATCH, Mark.FINE)


@dataclass(frozen=True)
class Share:
    """Count the boats, or ports, that have a mark, for the bar below the verdict."""

    count: int
    label: str
    mark: Mark


@dataclass(frozen=True)
class ToDo:
    """Hold what somebody has to do about one boat, or about several for the same reason.

    `causes` are names with what is wrong of each. `command` is typed before `arguments`, or is "".
    """

    causes: tuple[tuple[str, str], ...]
    action: str = ""
    meanwhile: str = ""
    """What the boat runs until it is done."""
    command: str = ""
    arguments: tuple[str, ...] = ()

    @property
    def typed(self) -> str:
        """Return the command to type, or "" where none helps."""
        return " ".join([self.command, *self.arguments]) if self.command else ""


Cell = str | Markup


@dataclass(frozen=True)
class Table:
    """Hold rows below their heads. `marks` has one for each row, or is empty.

    The columns whose numbers, from 0, are in `numbers` are aligned by their right edge.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    numbers: frozenset[int] = frozenset()
    marks: tuple[Mark, ...] = ()
    title: str = ""


@dataclass(frozen=True)
class Plot:
    """Hold a drawing, `picture` as SVG, and the sentence that says the same in words."""

    title: str
    picture: Markup
    caption: str = ""


@dataclass(frozen=True)
class Section:
    """Hold one boat, or one port: its row in the overview, and what there is to say beyond it.

    `state` is the word for its mark, `cells` are the row's columns after the name and the state.
    `plots` is for what the boat remembers of itself.
    """

    name: str
    mark: Mark
    state: str
    cells: tuple[Cell, ...] = ()
    facts: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    plots: tuple[Plot, ...] = ()

    @property
    def has_more(self) -> bool:
        """Tell if there is anything to say beyond the row."""
        return any((self.facts, self.notes, self.tables, self.plots))


@dataclass(frozen=True)
class Change:
    """Hold how a file, or which `paths`, change in these boats.

    A line begins with its sign: +, -, @ or a blank.
    """

    what: str
    boats: tuple[str, ...]
    lines: tuple[str, ...] = ()
    paths: tuple[str, ...] = ()


@dataclass(frozen=True)
class Page:
    """Hold a whole report. `verdict` is its title and its first line."""

    kind: str
    """What was done, such as Push."""
    verdict: str
    shares: tuple[Share, ...] = ()
    todos: tuple[ToDo, ...] = ()
    item: str = "boat"
    """What the sections are about."""
    heads: tuple[str, ...] = ()
    """The heads of the sections' `cells`."""
    sections: tuple[Section, ...] = ()
    changes: tuple[Change, ...] = ()
    changes_title: str = "What changes"
    changes_note: str = ""
    times: Table | None = None
    """How long each boat took."""
    remarks: tuple[str, ...] = ()
    """What belongs to all, such as a caution."""
    sources: tuple[str, ...] = ()
    """Where limits come from. A row names its source by the number, from 1."""


def merge(todos: Sequence[ToDo]) -> tuple[ToDo, ...]:
    """Join what is done in the same way about several boats, so that it is said once."""
    found: dict[tuple[str, str, str], ToDo] = {}
    for todo in todos:
        key = (todo.action, todo.meanwhile, todo.command)
        if key in found:
            first = found[key]
            arguments = tuple(dict.fromkeys((*first.arguments, *todo.arguments)))
            found[key] = replace(todo, causes=(*first.causes, *todo.causes), arguments=arguments)
        else:
            found[key] = todo
    return tuple(found.values())


def worst_first(sections: Sequence[Section]) -> tuple[Section, ...]:
    """Sort sections by their marks, and else leave the order."""
    return tuple(sorted(sections, key=lambda section: WORST_FIRST.index(section.mark)))


def count(sections: Sequence[Section], labels: dict[Mark, str]) -> tuple[Share, ...]:
    """Count the sections by mark, the fine ones first."""
    return tuple(
        Share(number, labels[mark], mark)
        for mark in reversed(WORST_FIRST)
        if (number := sum(section.mark is mark for section in sections))
    )


def cause(name: str, text: str) -> tuple[str, str]:
    """Return a cause of a `ToDo`: the name of a boat, and what is wrong without that name."""
    return name, cut(text.removeprefix(f"{name} "))


def sentence(text: str) -> str:
    """Return a hint with a capital letter, unless it begins with a command or a key."""
    text, first = cut(text), text.split(" ", maxsplit=1)[0]
    plain = first.isalpha() and first.islower() and first != "provision"
    return text[:1].upper() + text[1:] if plain else text


def cut(text: str) -> str:
    """Return a text of at most MAX_TEXT_CHARS characters."""
    return text if len(text) <= MAX_TEXT_CHARS else f"{text[:MAX_TEXT_CHARS]}..."
