# SPDX-License-Identifier: GPL-3.0-or-later
"""List private copies of the programs that making and writing a card takes.

Each is started by its own loader with its own libraries (ld.so(8)), so that it depends on nothing
of the laptop, and nothing of the laptop on it.
"""

from __future__ import annotations

import re
from pathlib import Path

from provision.commands import find, run
from provision.errors import UserError
from provision.kit.archive import Packed

#: The programs that `card`, `write` and `ready` start.
PROGRAMS = ("debugfs", "dumpe2fs", "lsblk", "mcopy", "mke2fs", "sfdisk")

#: Starts the packed program that has this script's name.
START = b"""#!/bin/sh
here=${0%/*}/..
unset LD_PRELOAD LD_LIBRARY_PATH
GCONV_PATH=$here/gconv MKE2FS_CONFIG=$here/mke2fs.conf
export GCONV_PATH MKE2FS_CONFIG
exec "$here/lib/loader" --inhibit-cache --library-path "$here/lib" \\
    "$here/programs/${0##*/}" "$@"
"""

#: Name the converter of the code page that mtools uses for file names, as iconvconfig(8) reads it.
_CONVERTERS = b"""alias CP850// IBM850//
alias 850// IBM850//
module IBM850// INTERNAL IBM850 1
module INTERNAL IBM850// IBM850 1
"""

#: What mke2fs makes depends on it.
_MKE2FS_CONF = Path("/etc/mke2fs.conf")

_ELF = b"\x7fELF"


def list_programs() -> dict[str, Packed]:
    """Map the name of each file of the programs to its source."""
    found: dict[str, Packed] = {}
    for name in PROGRAMS:
        path = Path(find(name)).resolve()
        with path.open("rb") as stream:
            if stream.read(len(_ELF)) != _ELF:
                raise UserError(
                    f"{path} is no program of the system",
                    hint="make the kit with the PATH of a plain terminal",
                )
        found[f"bin/{name}"] = START
        found[f"programs/{name}"] = path
        found |= {f"lib/{library}": source for library, source in _list_libraries(path).items()}
    if _MKE2FS_CONF.is_file():
        found["mke2fs.conf"] = _MKE2FS_CONF
    return found | _list_converters(found["lib/libc.so.6"])


def _list_libraries(program: Path) -> dict[str, Path]:
    """Map the name of each library that a program loads to its file. The loader is `loader`."""
    text = run("ldd", program).stdout
    named = re.findall(r"^\s+(\S+) => (/\S+) \(", text, re.MULTILINE)
    loader = re.search(r"^\s+(/\S+) \(", text, re.MULTILINE)
    if loader is None or "not found" in text:
        raise UserError(
            f"cannot find out which libraries {program} needs",
            hint=f"see what this says: ldd {program}",
        )
    return {name: Path(path).resolve() for name, path in named} | {
        "loader": Path(loader[1]).resolve()
    }


def _list_converters(libc: Packed) -> dict[str, Packed]:
    """Map the files by which the C library converts names in a FAT file system."""
    assert isinstance(libc, Path)
    module = libc.parent / "gconv" / "IBM850.so"
    if not module.is_file():
        return {}
    return {"gconv/gconv-modules": _CONVERTERS, "gconv/IBM850.so": module}
