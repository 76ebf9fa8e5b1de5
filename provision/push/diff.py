# SPDX-License-Identifier: GPL-3.0-or-later
"""What a push would change, as a unified diff against the files that the boat has now."""

from __future__ import annotations

import difflib
import hashlib
import io
import shlex
import subprocess
import tarfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from provision.profile.secrets import psk
from provision.push.inventory import Wanted
from provision.push.mask import Mask
from provision.push.prepare import Target
from provision.push.reach import arguments, ssh
from provision.push.result import Outcome, PushResult
from provision.render import File, Link

#: The files named on standard input, as a tar; what is not there is left out.
FETCH = (
    *("tar", "--create", "--file=-", "--directory=/", "--no-recursion", "--ignore-failed-read"),
    *("--null", "--files-from=-"),
)

#: What stands for the name of a file that is not there.
NOTHING = "/dev/null"

#: Seconds that fetching gets.
LONGEST = 60

Files = Mapping[str, File | Link]


def with_diff(wanted: Wanted, target: Target, result: PushResult) -> PushResult:
    """The result of a dry run, with the diff of all that would change."""
    if result.outcome is not Outcome.WOULD_CHANGE:
        return result
    live = fetch(wanted, result.changed)
    if live is None:
        return replace(result, reason="its files could not be read for a diff")
    new = unpack((wanted.folder / "settings.tar").read_bytes())
    return replace(result, diff=diff(result.changed, live, new, secret_values(target)))


def fetch(wanted: Wanted, paths: Sequence[str]) -> Files | None:
    """Those of the files that the boat has, in one command; None when they cannot be had."""
    options = arguments(wanted.reach.options(wanted.folder))
    argv = ssh(wanted.reach.user, options, wanted.reach.places[0])
    try:
        done = subprocess.run(
            [*argv, shlex.join(FETCH)],
            input=b"".join(path.lstrip("/").encode() + b"\0" for path in paths),
            capture_output=True,
            timeout=LONGEST,
            check=False,
        )
        return unpack(done.stdout)
    except (subprocess.TimeoutExpired, tarfile.TarError):
        return None


def unpack(archive: bytes) -> Files:
    """The files and links in a tar by absolute path."""
    files: dict[str, File | Link] = {}
    with tarfile.open(fileobj=io.BytesIO(archive)) as tar:
        for member in tar:
            path = f"/{member.name.lstrip('/')}"
            content = tar.extractfile(member) if member.isreg() else None
            if member.issym():
                files[path] = Link(member.linkname)
            elif content is not None:
                files[path] = File(content.read(), member.mode & 0o7777)
    return files


def secret_values(target: Target) -> list[str]:
    """All that must not be shown, as it may stand in a file."""
    secrets = target.secrets
    radio = target.boat.profile.network.access_point
    return [secrets.host_key, secrets.pass_phrase, psk(secrets.pass_phrase, radio.ssid)]


def diff(paths: Iterable[str], live: Files, new: Files, known: Iterable[str]) -> str:
    """A unified diff from `live` to `new` of each of `paths`."""
    mask = Mask(tuple(known))
    parts = [_one(path, live.get(path), new.get(path), mask) for path in sorted(paths)]
    return "".join(part for part in parts if part)


def _one(path: str, old: File | Link | None, new: File | Link | None, mask: Mask) -> str:
    private = any(isinstance(entry, File) and not entry.mode & 0o004 for entry in (old, new))
    before, after = (_lines(path, entry, mask, private) for entry in (old, new))
    here = f"aboard{path}" if old else NOTHING
    there = f"new{path}" if new else NOTHING
    lines = list(difflib.unified_diff(before, after, here, there))
    modes = [f"{entry.mode:04o}" if isinstance(entry, File) else "" for entry in (old, new)]
    head = f"mode of {path}: {modes[0]} -> {modes[1]}\n" if all(modes) and len({*modes}) > 1 else ""
    return head + "".join(line if line.endswith("\n") else f"{line}\n" for line in lines)


def _lines(path: str, entry: File | Link | None, mask: Mask, private: bool) -> list[str]:
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
