# SPDX-License-Identifier: GPL-3.0-or-later
"""Read a boat's YAML file and the files that it includes, and validate the profile."""

from __future__ import annotations

import hashlib
import json
import os
import shlex
import stat
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pydantic import ValidationError

from provision import boards
from provision.errors import Location, UserError, UserErrors
from provision.profile.schema.boat import Profile
from provision.profile.yaml import nulls, references, uniqueness
from provision.profile.yaml.errors import explain, nearest
from provision.profile.yaml.tree import MAX_BYTES, Node, Plain, parse, raise_all, read_text

#: Maximum number of included files, counted each time that a file names one.
MAX_INCLUDES = 32


@dataclass(frozen=True)
class Boat:
    """Hold a profile as read, with the location of each of its keys."""

    profile: Profile
    file: Path
    locations: Mapping[str, Location] = field(compare=False, repr=False)
    """The location of each key, such as links.gnss.baud or access.keys[0], in any file."""

    @property
    def name(self) -> str:
        """Return the boat's name."""
        return self.profile.boat

    def location(self, key: str) -> Location:
        """Return the location of `key`, or of the nearest key above it that the files have."""
        while key and key not in self.locations:
            key = key.rpartition(".")[0]
        return self.locations.get(key) or Location(self.file)

    def digest(self) -> str:
        """Return the SHA-256 in hex of the merged profile as canonical JSON.

        The names of the included files are left out: only their content counts. So is a key
        that came later, where the boat does not have it: boats without it kept their digest.
        """
        later = {key for key in ("page", "charts") if getattr(self.profile, key) is None}
        unused = {"includes", *later}
        content = self.profile.model_dump(mode="json", exclude=unused)
        canonical = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        return hashlib.sha256(canonical.encode()).hexdigest()


def read(path: Path, text: str | None = None) -> Boat:
    """Read one boat's profile. `text` is what the file is to hold, if that is not written yet.

    Raise UserErrors with every error in the profile and its includes.
    """
    try:
        return _read(path, text)
    except UserError as error:
        for one in error.errors if isinstance(error, UserErrors) else [error]:
            if one.location and one.location.file != path:
                one.included_by = (path,)
        raise


def _read(path: Path, text: str | None) -> Boat:
    texts = {} if text is None else {_resolve(path): text}
    reader = _IncludeReader(path, _resolve(path).parent, texts)
    root = reader.merge(path, ())
    if root is None:
        raise_all(reader.errors)
        raise AssertionError("a file was refused without a reason")
    errors = reader.errors
    if isinstance(root.value, dict) and "boat" not in root.value:
        _refuse_included(path)
    root = nulls.drop_nulls(root, Profile, errors)
    # A value that already has an error would only be refused again.
    known = {error.location for error in errors}
    try:
        profile = Profile.model_validate(root.plain())
    except ValidationError as error:
        found = explain(error, root, Profile, missing=not reader.unread)
        errors += [e for e in found if e.location not in known]
    reported = {error.location.key for error in errors if error.location}
    blanks = [e for e in nulls.find_blanks(root) if e.location and e.location.key not in reported]
    # What a group lacks may be the value that is left blank in it.
    lacking = {e.location.key.rpartition(".")[0] for e in blanks if e.location}
    errors[:] = [e for e in errors if not e.location or e.location.key not in lacking]
    errors += blanks
    _check_board(root, errors)
    raise_all(errors)
    locations = dict(_collect_locations(root, ""))
    boat = Boat(profile, path, locations)
    raise_all(
        [
            *uniqueness.find_duplicates(profile, boat.location),
            *references.find_broken(profile, boat.location),
        ]
    )
    return boat


def read_keys(path: Path, text: str) -> Plain:
    """Return what a text says with all that it includes, as plain data and not validated.

    `path` is where the text is to be. Raise UserErrors if a file cannot be read.
    """
    reader = _IncludeReader(path, _resolve(path).parent, {_resolve(path): text})
    root = reader.merge(path, ())
    raise_all(reader.errors)
    return root.plain() if root else None


def _refuse_included(file: Path) -> None:
    """Raise UserError if a file without a boat's name is one that boats include."""
    here = _resolve(file)
    others = [other for other in list_profiles(file.parent) if here in list_included(other)]
    if others:
        names = ", ".join(other.name for other in others)
        raise UserError(
            f"is about no boat, and is included by {names}",
            location=Location(file),
            hint=f"name a boat that includes it, such as {others[0].stem}",
        )


def find(name_or_path: str, boats: Path) -> Path:
    """Find the file of a boat, given as a path or as a name in the folder `boats`."""
    if not name_or_path:
        raise UserError("the name of a boat is empty", hint="name a boat, or its file")
    if "/" in name_or_path or name_or_path.endswith((".yml", ".yaml")):
        path = Path(name_or_path)
        if not _is_file(path):
            if path.exists():
                raise _no_file(path)
            near = nearest(path.name, [file.name for file in list_profiles(path.parent)])
            meant = path.with_name(near) if near else boats / path.name
            hint = f"did you mean {meant}?" if near or _is_file(meant) else "name a boat's file"
            raise UserError("there is no such file", location=Location(path), hint=hint)
        return path
    path = boats / f"{name_or_path}.yml"
    if not _is_file(path):
        known = [file.stem for file in list_profiles(boats)]
        near = nearest(name_or_path, known)
        if _is_file(path.with_suffix(".yaml")):
            hint = f"call the file {path.name}"
        elif near:
            hint = f"did you mean {near}?"
        elif _is_file(Path(path.name)):
            hint = f"did you mean the file {path.name}?"
        elif known:
            hint = f"the boats there are {', '.join(known)}"
        else:
            hint = name_the_folder(boats)
        if not boats.is_dir():
            raise UserError(f"there is no folder {boats}", hint=hint)
        raise UserError(f"there is no boat {name_or_path} in {boats}", hint=hint)
    return path


def _no_file(path: Path) -> UserError:
    """Say what a path names that is no plain file."""
    if path.is_dir():
        hint = f"name a boat's file in it, or all of them: --all --boats {shlex.quote(str(path))}"
        return UserError("is a folder, and no boat's file", location=Location(path), hint=hint)
    return UserError("is no plain file", location=Location(path), hint="name a boat's file")


def name_the_folder(boats: Path) -> str:
    """Write the hint for a folder that has no boats."""
    make = f"make one with `provision init {shlex.quote(str(boats))}`"
    return f"name the folder of the boats with --boats, or {make}"


def _is_file(path: Path) -> bool:
    """Tell if a plain file is there. Raise UserError if the path cannot be examined."""
    try:
        return stat.S_ISREG(path.stat().st_mode)
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError as error:
        hint = "check the path and its permissions"
        raise UserError(
            f"cannot be read: {error.strerror}", location=Location(path), hint=hint
        ) from error


def list_profiles(boats: Path) -> list[Path]:
    """List the profiles in a folder, sorted: its *.yml files that name a boat.

    Hidden files are left out: editors keep locks and copies there.
    """
    return [
        file
        for file in sorted(boats.glob("*.yml"))
        if not file.name.startswith(".")
        and not file.name.endswith(".secrets.yml")
        and names_a_boat(file)
    ]


def list_included(file: Path) -> list[Path]:
    """List the files that a file includes, directly or not, without links. Errors are ignored."""
    reader = _IncludeReader(file, _resolve(file).parent)
    reader.merge(file, ())
    return [path for path in reader.done if path != _resolve(file)]


def read_all(profiles: Iterable[Path]) -> list[Boat]:
    """Read these profiles in their order. Raise UserErrors with every error."""
    found, errors = read_each(profiles)
    raise_all(errors)
    return found


def read_each(profiles: Iterable[Path]) -> tuple[list[Boat], list[UserError]]:
    """Return the boats whose profiles are valid, in their order, and every error."""
    found: list[Boat] = []
    errors: list[UserError] = []
    for file in profiles:
        try:
            found.append(read(file))
        except UserErrors as several:
            errors += several.errors
        except UserError as error:
            errors.append(error)
    return found, merge_duplicates(errors)


def merge_duplicates(errors: Iterable[UserError]) -> list[UserError]:
    """Merge equal errors: an error in a shared file names all boats that include it."""
    found: dict[tuple[str, str], UserError] = {}
    for error in errors:
        first = found.setdefault((str(error.location), error.message), error)
        if first is not error:
            first.included_by = tuple(dict.fromkeys([*first.included_by, *error.included_by]))
    return list(found.values())


@dataclass(frozen=True)
class _IncludeReader:
    file: Path
    folder: Path
    """The folder of the boat's own file, without links: includes stay below it."""
    texts: Mapping[Path, str] = field(default_factory=dict)
    """What files are to hold that are not written yet, by their paths without links."""
    errors: list[UserError] = field(default_factory=list)
    done: dict[Path, Node | None] = field(default_factory=dict)
    sizes: list[int] = field(default_factory=list)
    """The characters of each file read."""
    included: list[Path] = field(default_factory=list)
    unread: list[Path] = field(default_factory=list)
    """The included files that could not be read: what they hold is not missing."""

    def merge(self, file: Path, trail: tuple[Path, ...]) -> Node | None:
        """Return the file's tree merged over its includes: a later file covers an earlier."""
        here = _resolve(file)
        if here not in self.done:
            self.done[here] = self._merge(file, (*trail, here))
        return self.done[here]

    def _merge(self, file: Path, trail: tuple[Path, ...]) -> Node | None:
        try:
            root = parse(file, self._decode(file), self.errors)
        except UserError as error:
            self.errors.append(error)
            return None
        if root is None or not isinstance(root.value, dict):
            what = "the file is empty" if root is None else "the file has no keys"
            self.errors.append(
                UserError(
                    what, location=Location(file, 1), hint="it starts with a key, such as boat:"
                )
            )
            return None
        under = Node({}, root.location, root.value_location)
        includes = root.value.get("includes")
        for item in includes.value if includes and isinstance(includes.value, list) else []:
            self.included.append(file)
            if len(self.included) > MAX_INCLUDES:
                hint = "join files that are always included together"
                what = f"a boat includes {MAX_INCLUDES} files at most"
                self.errors.append(UserError(what, location=item.value_location, hint=hint))
                break
            if isinstance(item.value, str):
                included = self._include(file.parent / item.value, item.value_location, trail)
                if included is None:
                    self.unread.append(file.parent / item.value)
                under = included.merged_over(under) if included else under
        return root.merged_over(under)

    def _decode(self, file: Path) -> str:
        text = self.texts.get(_resolve(file))
        text = read_text(file) if text is None else text
        self.sizes.append(len(text))
        if sum(self.sizes) > MAX_BYTES:
            raise UserError(
                f"with what it includes it is larger than {MAX_BYTES // 1024} KiB",
                location=Location(self.file),
                hint="a profile is a short text",
            )
        return text

    def _include(self, file: Path, at: Location, trail: tuple[Path, ...]) -> Node | None:
        here = file
        try:
            here = _resolve(file)
            exists = file.is_file()
        except PermissionError:
            exists = True  # the reader reports it
        except (OSError, ValueError):
            exists = False
        if not here.is_relative_to(self.folder):
            self.errors.append(
                UserError(
                    f"{file} is not below the boat's folder",
                    location=at,
                    hint=f"copy the file into {self.folder}",
                )
            )
            return None
        if here in trail:
            loop = " -> ".join(path.name for path in (*trail[trail.index(here) :], here))
            self.errors.append(
                UserError(f"the files include each other: {loop}", location=at, hint="take one out")
            )
            return None
        if not exists:
            near = nearest(file.name, [path.name for path in file.parent.glob("*.y*ml")])
            self.errors.append(
                UserError(
                    f"there is no file {file}",
                    location=at,
                    hint=f"did you mean {near}?" if near else "the path counts from this file",
                )
            )
            return None
        return self.merge(file, trail)


def _resolve(file: Path) -> Path:
    """Resolve all links in a path. Unlike Path.resolve, take a link to itself as well."""
    return Path(os.path.realpath(file))


def _check_board(root: Node, errors: list[UserError]) -> None:
    node = root.value.get("board") if isinstance(root.value, dict) else None
    if node and isinstance(node.value, str):
        try:
            boards.refuse_unknown(node.value, node.value_location)
        except UserError as error:
            errors.append(error)


def _collect_locations(node: Node, key: str) -> list[tuple[str, Location]]:
    found = [(key, node.location if isinstance(node.value, dict | list) else node.value_location)]
    if isinstance(node.value, dict):
        for name, child in node.value.items():
            found += _collect_locations(child, f"{key}.{name}" if key else name)
    elif isinstance(node.value, list):
        for number, child in enumerate(node.value):
            found += _collect_locations(child, f"{key}[{number}]")
    return found


def names_a_boat(file: Path) -> bool:
    """Tell if the file has `boat` at its top. Take an unreadable file for a boat's."""
    try:
        root = parse(file, read_text(file), [])
    except UserError:
        return True
    return root is not None and isinstance(root.value, dict) and "boat" in root.value
