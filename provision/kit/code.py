# SPDX-License-Identifier: GPL-3.0-or-later
"""List the files of the tool and of the Python packages that it needs when it runs."""

from __future__ import annotations

import os
from collections.abc import Iterator
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path, PurePath

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from provision import paths
from provision.errors import UserError

#: The tool's own name in the metadata of Python packages.
TOOL = "provision"

#: Folders that ship beside the code, see `paths.shipped`.
_SHIPPED = ("roles", "templates", "tests/boat")

_HINT = "install the tool by tools/install, and make the kit with that"


def list_code() -> dict[str, Path]:
    """Map the name of each file below a folder of Python's search path to its source."""
    found = {f"{TOOL}/{name}": path for name, path in _list_files(paths.PACKAGE, "")}
    for folder in _SHIPPED:
        found |= {
            f"{TOOL}/shipped/{name}": path
            for name, path in _list_files(paths.shipped(folder), f"{folder}/")
        }
    found |= {f"{TOOL}/shipped/boats/{name}": path for name, path in _list_example()}
    for package in find_requirements(TOOL):
        found |= _list_package(package)
    return found


def _list_files(folder: Path, prefix: str) -> Iterator[tuple[str, Path]]:
    """Yield each file and link below a folder, and its name. Compiled code is left out."""
    for path in sorted(folder.rglob("*")):
        if "__pycache__" not in path.parts and (path.is_symlink() or path.is_file()):
            yield f"{prefix}{path.relative_to(folder).as_posix()}", path


def _list_example() -> Iterator[tuple[str, Path]]:
    """Yield the example club. In a checkout that is worked with, secrets lie beside it."""
    folder = paths.shipped("boats")
    for path in sorted(folder.glob("*.yml")):
        if not path.name.endswith(".secrets.yml"):
            yield path.name, path
    yield from _list_files(folder / "hulls", "hulls/")


def find_requirements(name: str) -> list[Distribution]:
    """Return the packages that a package needs when it runs, and what those need, without itself.

    Raise UserError if one of them is not installed.
    """
    found: dict[str, Distribution] = {}
    waiting = [(name, frozenset[str]())]
    seen = set()
    while waiting:
        one = waiting.pop()
        if one in seen:
            continue
        seen.add(one)
        try:
            package = distribution(one[0])
        except PackageNotFoundError as error:
            raise UserError(f"the Python package {one[0]} is not installed", hint=_HINT) from error
        found[one[0]] = package
        waiting += _list_needed(package, one[1])
    found.pop(name)
    return [found[one] for one in sorted(found)]


def _list_needed(
    package: Distribution, extras: frozenset[str]
) -> Iterator[tuple[str, frozenset[str]]]:
    """Yield the name and the extras of what a package needs with these extras of its own."""
    for text in package.requires or ():
        needed = Requirement(text)
        marker = needed.marker
        if marker is None or any(marker.evaluate({"extra": one}) for one in ("", *extras)):
            yield canonicalize_name(needed.name), frozenset(needed.extras)


def _list_package(package: Distribution) -> dict[str, Path]:
    """Map the name of each file of an installed package to its source. Programs are left out."""
    if package.files is None:
        raise UserError(f"{package.name} does not say which files it has", hint=_HINT)
    found = {}
    for file in package.files:
        name = PurePath(os.path.normpath(file))
        path = Path(str(package.locate_file(file)))
        if ".." not in name.parts and "__pycache__" not in name.parts and path.is_file():
            found[name.as_posix()] = path
    return found
