# SPDX-License-Identifier: GPL-3.0-or-later
"""What a push would change, as a unified diff against the files that the boat has now.

`python -m provision.push.diff QUERY HOST PORT PATH...` prints it for these files of the boat
that answers there, without secrets; the new ones are in the archive beside QUERY.
"""

from __future__ import annotations

import difflib
import hashlib
import io
import shlex
import subprocess
import sys
import tarfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from provision.bounded import MAX_ARCHIVE_BYTES, TooMuch, collect
from provision.harmless import harmless
from provision.push.poll import StatusQuery
from provision.push.redact import Redactor
from provision.render import File, Link
from provision.ssh.endpoint import Endpoint, ssh

#: The files named on standard input, as a tar; what is not there is left out.
FETCH = (
    *("tar", "--create", "--file=-", "--directory=/", "--no-recursion", "--ignore-failed-read"),
    *("--null", "--files-from=-"),
)

#: What stands for the name of a file that is not there.
NOTHING = "/dev/null"

#: Characters of a diff that are printed.
MAX_DIFF_CHARS = 2**20

#: Seconds that fetching gets.
LONGEST = 60

Files = Mapping[str, File | Link]


class FilesUnreadable(Exception):
    """A boat's files cannot be had, and why."""


def fetch(query: StatusQuery, place: Endpoint, paths: Sequence[str]) -> Files:
    """Those of the files that the boat has, in one command; Unread when they cannot be had."""
    argv = ssh(query.user, query.options, place)
    try:
        done = collect(
            [*argv, shlex.join(FETCH)],
            given=b"".join(path.lstrip("/").encode() + b"\0" for path in paths),
            limit=MAX_ARCHIVE_BYTES,
            timeout=LONGEST,
        )
        return unpack(done.stdout)
    except subprocess.TimeoutExpired:
        raise FilesUnreadable(f"they did not come within {LONGEST} s") from None
    except TooMuch as error:
        raise FilesUnreadable(str(error)) from None
    except tarfile.TarError:
        raise FilesUnreadable(done.errors or "what came is no archive") from None


def unpack(archive: bytes) -> Files:
    """The files and links in a tar by absolute path; tarfile.TarError for a compressed one.

    A compressed archive can be a thousand times larger than what a boat sent.
    """
    files: dict[str, File | Link] = {}
    with tarfile.open(fileobj=io.BytesIO(archive), mode="r:") as tar:
        for member in tar:
            path = f"/{member.name.lstrip('/')}"
            content = tar.extractfile(member) if member.isreg() else None
            if member.issym():
                files[path] = Link(member.linkname)
            elif content is not None:
                files[path] = File(content.read(), member.mode & 0o7777)
    return files


def diff(paths: Iterable[str], live: Files, new: Files, known: Iterable[str]) -> str:
    """A unified diff from `live` to `new` of each of `paths`."""
    mask = Redactor(tuple(known))
    parts = [_one(path, live.get(path), new.get(path), mask) for path in sorted(paths)]
    return "".join(part for part in parts if part)


def _one(path: str, old: File | Link | None, new: File | Link | None, mask: Redactor) -> str:
    private = any(isinstance(entry, File) and not entry.mode & 0o004 for entry in (old, new))
    before, after = (_lines(path, entry, mask, private) for entry in (old, new))
    here = f"aboard{path}" if old else NOTHING
    there = f"new{path}" if new else NOTHING
    lines = list(difflib.unified_diff(before, after, here, there))
    modes = [f"{entry.mode:04o}" if isinstance(entry, File) else "" for entry in (old, new)]
    head = f"mode of {path}: {modes[0]} -> {modes[1]}\n" if all(modes) and len({*modes}) > 1 else ""
    return head + "".join(line if line.endswith("\n") else f"{line}\n" for line in lines)


def _lines(path: str, entry: File | Link | None, mask: Redactor, private: bool) -> list[str]:
    if entry is None:
        return []
    if isinstance(entry, Link):
        return [f"link to {entry.target}\n"]
    try:
        text = entry.content.decode()
    except UnicodeDecodeError:
        digest = "" if private else f", SHA-256 {hashlib.sha256(entry.content).hexdigest()}"
        return [f"{len(entry.content)} bytes that are no text{digest}\n"]
    return mask(path, text, private=private).splitlines(keepends=True)


def command(query: Path) -> list[str]:
    """The command that prints a diff; where the boat answers and the paths go behind it."""
    return [sys.executable, "-P", "-m", "provision.push.diff", str(query)]


def main() -> int:
    """See the module; whatever is no public setting counts as a secret."""
    try:
        file, host, port, *paths = sys.argv[1:]
        query, place = StatusQuery.read(Path(file)), Endpoint(host, int(port))
    except ValueError:
        print("usage: diff QUERY HOST PORT PATH...", file=sys.stderr)
        return 2
    try:
        live = fetch(query, place, paths)
    except FilesUnreadable as error:
        print(harmless(f"the files of {query.boat} could not be read: {error}"), file=sys.stderr)
        return 1
    new = unpack(Path(file).with_name("settings.tar").read_bytes())
    print(harmless(diff(paths, live, new, ()), MAX_DIFF_CHARS), end="")
    return 0


if __name__ == "__main__":
    sys.exit(main())
