# SPDX-License-Identifier: GPL-3.0-or-later
"""Read YAML text as a tree in which every value has its location.

YAML turns some plain words into other values than text (`NO`, `010`, `12:30:00`). Such a value
keeps the text as written, so that an error can say how to write what was meant.
"""

from __future__ import annotations

import re
import stat
from copy import copy
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import yaml

from provision.errors import Location, UserError, UserErrors

Scalar = str | int | float | bool | None
Plain = Scalar | list["Plain"] | dict[str, "Plain"]

_DECIMAL = re.compile(r"[-+]?(0|[1-9]\d{0,17})")
_FLOAT = re.compile(r"[-+]?(0|[1-9]\d{0,17})?\.\d{0,18}([eE][-+]?\d{1,3})?")
_TAG = "tag:yaml.org,2002:"

#: Maximum size of a profile with all that it includes, and of a public key's file, in bytes. A boat
#: with forty links and a comment for each takes a tenth of it.
MAX_BYTES = 2**17

#: Errors that one reading reports. The others wait until these are corrected.
MAX_ERRORS = 100

#: Maximum length of a key, and maximum depth of keys and lists: each value carries the keys above
#: it. No key of the model has a tenth of it.
MAX_KEY_CHARS = 200
MAX_DEPTH = 16

#: Number of trees that are kept to be read again.
MAX_KEPT = 128


@dataclass(frozen=True)
class Node:
    """Hold a value, the location of its key (`location`), and its own (`value_location`)."""

    value: Scalar | list[Node] | dict[str, Node]
    location: Location
    value_location: Location
    written: str = ""
    covers: bool = False
    """Whether it is a written null that covers a value of another file."""

    @property
    def is_blank(self) -> bool:
        """Tell if no value is written at all, not even null."""
        return self.value is None and not self.written

    def plain(self) -> Plain:
        """Return the value as plain data."""
        if isinstance(self.value, dict):
            return {key: node.plain() for key, node in self.value.items()}
        if isinstance(self.value, list):
            return [node.plain() for node in self.value]
        return self.value

    def merged_over(self, other: Node) -> Node:
        """Lay this node over another: join mappings, and hide any other value of `other`."""
        if self.value is None and self.written:
            return replace(self, covers=True)
        if not isinstance(self.value, dict) or not isinstance(other.value, dict):
            return self
        joined = dict(other.value)
        for key, node in self.value.items():
            joined[key] = node.merged_over(joined[key]) if key in joined else node
        return Node(joined, self.location, self.value_location)


def parse(file: Path, text: str, errors: list[UserError]) -> Node | None:
    """Return the tree of `text` from `file`, or None if it is empty.

    Errors of single values are added to `errors`. Raise UserError if the text is no
    YAML at all.
    """
    root, found = _parse(file, text)
    # Each reading has errors of its own, which name the boat that was read.
    errors += map(copy, found)
    return root


@lru_cache(MAX_KEPT)
def _parse(file: Path, text: str) -> tuple[Node | None, list[UserError]]:
    """Parse a text once: boats include the same files, and each is read more than once."""
    loader = None
    try:
        loader = yaml.SafeLoader(text)
        root = loader.get_single_node()
    except yaml.MarkedYAMLError as error:
        raise _syntax(file, error) from error
    except yaml.reader.ReaderError as error:
        before = text[: error.position]
        line, column = before.count("\n") + 1, len(before) - before.rfind("\n")
        raise UserError(
            f"the character U+{ord(text[error.position]):04X} is not allowed in YAML",
            location=Location(file, line, column),
            hint="take it out",
        ) from error
    except RecursionError as error:
        raise UserError(
            "brackets are nested too deep",
            location=_reached(file, loader),
            hint="close the brackets",
        ) from error
    except (ValueError, OverflowError) as error:
        raise UserError(
            "not valid YAML: a number out of range",
            location=_reached(file, loader),
            hint=r"an escape such as \U0001F426 names a character, up to \U0010FFFF",
        ) from error
    errors: list[UserError] = []
    tree = None if root is None else _Builder(file, errors, set()).node(root, "", None)
    return tree, errors


def read_text(file: Path) -> str:
    """Return the file's text. Raise UserError if it is unreadable, too large or not UTF-8."""
    try:
        status = file.stat()
        if not stat.S_ISREG(status.st_mode):
            raise UserError("is no plain file", location=Location(file), hint="name a file of text")
        with file.open("rb") as opened:
            data = opened.read(MAX_BYTES + 1)
        if len(data) > MAX_BYTES:
            raise UserError(
                f"is larger than {MAX_BYTES // 1024} KiB",
                location=Location(file),
                hint="a profile or a public key is a short text",
            )
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UserError(
            f"cannot be read: {reason}",
            location=Location(file),
            hint="check the path and its permissions",
        ) from error
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise UserError(
            "is not UTF-8 text", location=Location(file, line), hint="save the file as UTF-8"
        ) from error


def _reached(file: Path, loader: yaml.SafeLoader | None) -> Location:
    """Return the location up to which a text was read."""
    return Location(file, loader.line + 1, loader.column + 1) if loader else Location(file)


def _syntax(file: Path, error: yaml.MarkedYAMLError) -> UserError:
    mark = error.problem_mark or error.context_mark
    problem = error.problem or "not YAML"
    if "'\\t'" in problem:
        problem, hint = "a tab where YAML wants spaces", "indent with spaces"
    elif "mapping values" in problem:
        hint = "check the indentation; a text with a colon and a space needs quotes"
    elif "document" in problem:
        hint = "one file holds one boat: take the line --- out"
    else:
        hint = "check the indentation, brackets and quotes here and in the line before"
    location = Location(file, mark.line + 1, mark.column + 1) if mark else Location(file)
    return UserError(f"not valid YAML: {problem}", location=location, hint=hint)


@dataclass(frozen=True)
class _Builder:
    file: Path
    errors: list[UserError]
    seen: set[int]

    def node(self, node: yaml.Node, key: str, key_node: yaml.Node | None, depth: int = 0) -> Node:
        at = self.location(node, key)
        location = self.location(key_node, key) if key_node else at
        if id(node) in self.seen:
            hint = "share keys through `includes`"
            self.errors.append(UserError("an alias is not read here", location=location, hint=hint))
            return Node(None, location, at)
        self.seen.add(id(node))
        if depth > MAX_DEPTH:
            hint = "close the brackets, and indent keys by their group alone"
            self.errors.append(UserError("keys are nested too deep", location=location, hint=hint))
            return Node(None, location, at)
        if isinstance(node, yaml.MappingNode) and node.tag == f"{_TAG}map":
            return Node(self.mapping(node, key, depth), location, at)
        if isinstance(node, yaml.SequenceNode) and node.tag == f"{_TAG}seq":
            items = [
                self.node(item, f"{key}[{index}]", None, depth + 1)
                for index, item in enumerate(node.value)
            ]
            return Node(items, location, at)
        if isinstance(node, yaml.ScalarNode):
            return Node(self.scalar(node, at), location, at, str(node.value))
        self.errors.append(_tag(node, at))
        return Node(None, location, at)

    def location(self, node: yaml.Node, key: str) -> Location:
        mark = node.start_mark
        return Location(self.file, mark.line + 1, mark.column + 1, key)

    def mapping(self, node: yaml.MappingNode, key: str, depth: int) -> dict[str, Node]:
        found: dict[str, Node] = {}
        for key_node, value in node.value:
            if not isinstance(key_node, yaml.ScalarNode):
                location = self.location(key_node, key)
                self.errors.append(
                    UserError("a key has to be a word", location=location, hint="write KEY: VALUE")
                )
                continue
            name = self.text(key_node, self.location(key_node, key))
            if not name.isprintable():
                location = self.location(key_node, key)
                hint = "write it without line breaks and control characters"
                self.errors.append(
                    UserError("a key has to be a word", location=location, hint=hint)
                )
                continue
            if len(name) > MAX_KEY_CHARS:
                location = self.location(key_node, key)
                hint = f"a key has at most {MAX_KEY_CHARS} characters"
                self.errors.append(UserError("a key is too long", location=location, hint=hint))
                continue
            full = f"{key}.{name}" if key else name
            if name in found:
                self.errors.append(
                    UserError(
                        f"the key {name} stands here twice",
                        location=self.location(key_node, full),
                        hint=f"the first one is in line {found[name].location.line}; keep one",
                    )
                )
                continue
            found[name] = self.node(value, full, key_node, depth + 1)
        return found

    def text(self, node: yaml.ScalarNode, at: Location) -> str:
        """Return the scalar as written. Refuse half a character, which an escape can name."""
        written = str(node.value)
        whole = written.encode(errors="replace").decode()
        if written != whole:
            hint = "write the character itself"
            self.errors.append(UserError("half of a character is no text", location=at, hint=hint))
        return whole

    def scalar(self, node: yaml.ScalarNode, at: Location) -> Scalar:
        written = self.text(node, at)
        match node.tag.removeprefix(_TAG):
            case "str":
                return written
            case "null":
                return None
            case "bool":
                return written.lower() in ("yes", "true", "on")
            case "int" if _DECIMAL.fullmatch(written):
                return int(written)
            case "float" if _FLOAT.fullmatch(written):
                return float(written)
            case "int" | "float" | "timestamp" as kind:
                what = "a date" if kind == "timestamp" else "a number, but not a plain decimal one"
                self.errors.append(
                    UserError(
                        f"YAML takes {written[:40]} for {what}",
                        location=at,
                        hint=f'if it is meant as text, quote it: "{written[:40]}"',
                    )
                )
            case _:
                self.errors.append(_tag(node, at))
        return written


def _tag(node: yaml.Node, at: Location) -> UserError:
    return UserError(
        f"the tag {node.tag} is not read here", location=at, hint="write a plain value"
    )


def raise_all(errors: list[UserError]) -> None:
    """Raise the errors found, if any, in the order of the files' lines.

    Of more than `MAX_ERRORS` errors, raise the first, and say that there are more.
    """
    if len(errors) == 1:
        raise errors[0]
    if errors:
        shown = sorted(errors, key=_order)
        if len(shown) > MAX_ERRORS:
            more = UserError("there are more errors", hint="correct these, and check again")
            shown = [*shown[:MAX_ERRORS], more]
        raise UserErrors(shown)


def _order(error: UserError) -> tuple[str, int, int]:
    location = error.location
    return (
        (str(location.file), location.line or 0, location.column or 0) if location else ("", 0, 0)
    )
