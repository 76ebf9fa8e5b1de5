# SPDX-License-Identifier: GPL-3.0-or-later
"""Write what a push would change, as a unified diff against the boat's files.

`python -m provision.push.query.diff QUERY HOST PORT PATH...` prints it for these files of the boat
at that endpoint, without secrets. The new files are in the archive beside QUERY.
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
from provision.push.query.poll import StatusQuery
from provision.push.query.redact import Redactor
from provision.render import File, Symlink
from provision.ssh.endpoint import Endpoint, ssh

#: The command that packs the files named on standard input as a tar, without missing files.
FETCH_COMMAND = (
    *("tar", "--create", "--file=-", "--directory=/", "--no-recursion", "--ignore-failed-read"),
    *("--null", "--files-from=-"),
)

#: The name of a missing file in a diff.
MISSING_FILE = "/dev/null"

#: Characters of a diff that are printed.
MAX_DIFF_CHARS = 2**20

#: Seconds that fetching gets.
FETCH_TIMEOUT_S = 60

Files = Mapping[str, File | Symlink]


class FilesUnreadable(Exception):
    """Say why a boat's files could not be read."""


def fetch(query: StatusQuery, endpoint: Endpoint, paths: Sequence[str]) -> Files:
    """Read the files that the boat has, in one command. Raise FilesUnreadable on a failure."""
    argv = ssh(query.user, query.options, endpoint)
    try:
        done = collect(
            [*argv, shlex.join(FETCH_COMMAND)],
            given=b"".join(path.lstrip("/").encode() + b"\0" for path in paths),
            limit=MAX_ARCHIVE_BYTES,
            timeout=FETCH_TIMEOUT_S,
        )
        return unpack(done.stdout)
    except subprocess.TimeoutExpired:
        raise FilesUnreadable(f"they did not come within {FETCH_TIMEOUT_S} s") from None
    except TooMuch as error:
        raise FilesUnreadable(str(error)) from None
    except tarfile.TarError:
        raise FilesUnreadable(done.errors or "what came is no archive") from None


def unpack(archive: bytes) -> Files:
    """Read files and links from a tar by absolute path. Raise tarfile.TarError on compression.

    A compressed archive can be a thousand times larger than what a boat sent.
    """
    files: dict[str, File | Symlink] = {}
    with tarfile.open(fileobj=io.BytesIO(archive), mode="r:") as tar:
        for member in tar:
            path = f"/{member.name.lstrip('/')}"
            content = tar.extractfile(member) if member.isreg() else None
            if member.issym():
                files[path] = Symlink(member.linkname)
            elif content is not None:
                files[path] = File(content.read(), member.mode & 0o7777)
    return files


def write_diff(paths: Iterable[str], live: Files, new: Files, known: Iterable[str]) -> str:
    """Write a unified diff from `live` to `new` of each of `paths`."""
    redact = Redactor(tuple(known))
    parts = [_file_diff(path, live.get(path), new.get(path), redact) for path in sorted(paths)]
    return "".join(part for part in parts if part)


def _file_diff(
    path: str, old: File | Symlink | None, new: File | Symlink | None, redact: Redactor
) -> str:
    private = any(isinstance(entry, File) and not entry.mode & 0o004 for entry in (old, new))
    before, after = (_lines(path, entry, redact, private) for entry in (old, new))
    here = f"aboard{path}" if old else MISSING_FILE
    there = f"new{path}" if new else MISSING_FILE
    lines = list(difflib.unified_diff(before, after, here, there))
    modes = [f"{entry.mode:04o}" if isinstance(entry, File) else "" for entry in (old, new)]
    head = f"mode of {path}: {modes[0]} -> {modes[1]}\n" if all(modes) and len({*modes}) > 1 else ""
    return head + "".join(line if line.endswith("\n") else f"{line}\n" for line in lines)


def _lines(path: str, entry: File | Symlink | None, redact: Redactor, private: bool) -> list[str]:
    if entry is None:
        return []
    if isinstance(entry, Symlink):
        return [f"link to {entry.target}\n"]
    try:
        text = entry.content.decode()
    except UnicodeDecodeError:
        digest = "" if private else f", SHA-256 {hashlib.sha256(entry.content).hexdigest()}"
        return [f"{len(entry.content)} bytes that are no text{digest}\n"]
    return redact(path, text, private=private).splitlines(keepends=True)


def command(query: Path) -> list[str]:
    """Build the command that prints a diff. The endpoint and the paths follow it."""
    return [sys.executable, "-P", "-m", "provision.push.query.diff", str(query)]


def main() -> int:
    """Print the diff that the command line asks for. All but public settings counts as a secret."""
    try:
        file, host, port, *paths = sys.argv[1:]
        query, endpoint = StatusQuery.read(Path(file)), Endpoint(host, int(port))
    except ValueError:
        print("usage: diff QUERY HOST PORT PATH...", file=sys.stderr)
        return 2
    try:
        live = fetch(query, endpoint, paths)
    except FilesUnreadable as error:
        print(harmless(f"the files of {query.boat} could not be read: {error}"), file=sys.stderr)
        return 1
    new = unpack(Path(file).with_name("settings.tar").read_bytes())
    print(harmless(write_diff(paths, live, new, ()), MAX_DIFF_CHARS), end="")
    return 0


if __name__ == "__main__":
    sys.exit(main())
