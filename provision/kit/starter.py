#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Start the tool that is packed in this kit: python3 provision COMMAND ...

Compare what is going to be used with its digests, unpack tool and programs into a private folder,
and run the command there. The folder is removed at the end.
"""

# It runs before anything is unpacked, and needs nothing but Python 3.7.
from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import platform
import shutil
import signal
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path
from typing import Any

KIT = Path(__file__).resolve().parent
SUMS = "SHA256SUMS"
DESCRIPTION = "kit/kit.json"
PASSWORD = "vault-password"  # noqa: S105 - the name of a file
#: Folders of the kit that commands may change.
CHANGED_BY_COMMANDS = ("boats/",)
ACCEPT = "--accept-changes"
COULD_NOT_RUN = 2


class KitError(Exception):
    """Report what is wrong with the kit or the computer, and what to try."""

    def __init__(self, message: str, hint: str) -> None:
        super().__init__(message)
        self.hint = hint


def main(words: list[str]) -> int:
    """Run one command, and return its exit status."""
    signal.signal(signal.SIGTERM, _end)
    signal.signal(signal.SIGHUP, _end)
    try:
        sums = read_sums()
        described = read_description(sums)
        require_python(described, words)
        if words == [ACCEPT]:
            return accept_changes(sums)
        check(sums)
        before = list_changeable()
        with private_folder() as folder:
            unpack(folder, sums)
            status = run(words, make_environment(folder))
        after = list_changeable()
        if after != before:
            changed = [name for name in {*before, *after} if before.get(name) != after.get(name)]
            write_sums(update(sums, changed))
        return status
    except KitError as error:
        print(f"provision: {error}\n  hint: {error.hint}", file=sys.stderr)
    except OSError as error:
        print(f"provision: {error.filename or KIT}: {error.strerror}", file=sys.stderr)
        print("  hint: see that the kit can be read and that /tmp has room", file=sys.stderr)
    except KeyboardInterrupt:
        print("\nprovision: stopped by Ctrl-C", file=sys.stderr)
        return 128 + signal.SIGINT
    return COULD_NOT_RUN


def _end(number: int, _frame: Any) -> None:
    sys.exit(128 + number)


def read_sums() -> dict[str, str]:
    """Return the digest of each file of the kit. KitError if there is no list."""
    try:
        lines = (KIT / SUMS).read_text(encoding="utf-8").splitlines()
        return {name: digest for digest, name in (line.split("  ", 1) for line in lines)}
    except (OSError, ValueError):
        raise KitError(f"{KIT / SUMS} is missing or damaged", AGAIN) from None


def read_description(sums: dict[str, str]) -> dict[str, Any]:
    """Return what the kit says of itself."""
    refuse_damaged([DESCRIPTION], sums)
    described = json.loads((KIT / DESCRIPTION).read_text(encoding="utf-8"))
    return dict(described)


AGAIN = "make the kit again where the boats' folder is: provision kit DIR; or use another kit"


def require_python(described: dict[str, Any], words: list[str]) -> None:
    """Go on with the Python that the kit was packed for. KitError if it is not here."""
    wanted, machine = str(described["python"]), str(described["machine"])
    if (platform.system(), platform.machine()) != ("Linux", machine):
        here = f"{platform.system()} on {platform.machine()}"
        raise KitError(
            f"this kit is for Linux on {machine}, and this computer has {here}",
            "take a laptop of that kind; or make a kit on this one: provision kit DIR",
        )
    if "{}.{}".format(*sys.version_info[:2]) == wanted:
        return
    other = shutil.which(f"python{wanted}")
    if other is None:
        raise KitError(
            f"this kit is for Python {wanted}, and this is {platform.python_version()}",
            f"take a laptop with Python {wanted} ({described['system']} has it)",
        )
    os.execv(other, [other, str(Path(__file__).resolve()), *words])  # noqa: S606 - by its path


def is_checked(name: str) -> bool:
    """Tell if a file is compared at each start.

    The command itself compares the large files of a base and the copies of a backup when it uses
    them.
    """
    parts = name.split("/")
    if parts[0] == "bases":
        return name.endswith(".json")
    return parts[:2] != ["boats", "backup"] or parts[-1] == "index.json"


def check(sums: dict[str, str]) -> None:
    """Compare all files with their digests that a command may use. KitError names the others."""
    refuse_damaged([name for name in sums if is_checked(name)], sums)


def refuse_damaged(names: list[str], sums: dict[str, str]) -> None:
    """Raise KitError that names each file that is missing or differs from its digest."""
    damaged = sorted(name for name in names if digest(KIT / name) != sums.get(name))
    if not damaged:
        return
    hint = AGAIN
    if all(name.startswith(CHANGED_BY_COMMANDS) for name in damaged):
        hint = f"if you changed it yourself: python3 {KIT / 'provision'} {ACCEPT}; else {AGAIN}"
    gone = [name for name in damaged if not (KIT / name).exists()]
    what = [f"{name} ({'missing' if name in gone else 'damaged'})" for name in damaged]
    raise KitError("the kit is not as it was made: {}".format(", ".join(what)), hint)


def digest(path: Path) -> str:
    """Return the SHA-256 of a file, or "" if it cannot be read."""
    found = hashlib.sha256()
    try:
        with path.open("rb") as stream:
            for piece in iter(lambda: stream.read(2**20), b""):
                found.update(piece)
    except OSError:
        return ""
    return found.hexdigest()


def accept_changes(sums: dict[str, str]) -> int:
    """Write new digests of the boats' files that were changed by hand. Name each."""
    names = {name for name in sums if name.startswith(CHANGED_BY_COMMANDS)}
    changed = [
        name
        for name in sorted(names | set(list_changeable()))
        if digest(KIT / name) != sums.get(name)
    ]
    for name in changed:
        print(f"{name}: accepted as it is")
    write_sums(update(sums, changed))
    return 0


def list_changeable() -> dict[str, tuple[int, int]]:
    """Map each file of the boats to its time and size."""
    found = {}
    for path in sorted((KIT / "boats").rglob("*")):
        if path.is_file():
            stat = path.stat()
            found[path.relative_to(KIT).as_posix()] = (stat.st_mtime_ns, stat.st_size)
    return found


def update(sums: dict[str, str], names: list[str]) -> dict[str, str]:
    """Return the list with new digests of these files, without those that are gone."""
    changed = {name: digest(KIT / name) for name in names}
    return {name: one for name, one in {**sums, **changed}.items() if one}


def write_sums(sums: dict[str, str]) -> None:
    """Replace the list of digests."""
    new = KIT / f"{SUMS}.kit-new"
    with new.open("w", encoding="utf-8") as stream:
        stream.write("".join(f"{one}  {name}\n" for name, one in sorted(sums.items())))
        stream.flush()
        os.fsync(stream.fileno())
    new.replace(KIT / SUMS)


@contextlib.contextmanager
def private_folder() -> Any:
    """Give a new folder that only this user can read, and remove it at the end."""
    folder = Path(tempfile.mkdtemp(prefix="provision-kit-"))
    try:
        yield folder
    finally:
        shutil.rmtree(str(folder), ignore_errors=True)


def unpack(folder: Path, sums: dict[str, str]) -> None:
    """Unpack tool and programs, each from the very bytes that were compared with the digest."""
    for part in ("python", "programs"):
        name = f"kit/{part}.tar.gz"
        data = (KIT / name).read_bytes()
        if hashlib.sha256(data).hexdigest() != sums.get(name):
            raise KitError(f"the kit is not as it was made: {name} (damaged)", AGAIN)
        with tarfile.open(fileobj=io.BytesIO(data)) as tar:
            # The digest vouches for all members.
            tar.extraction_filter = lambda member, path: member
            tar.extractall(str(folder / part))  # noqa: S202
    program = folder / "programs" / "bin" / "sfdisk"
    try:
        subprocess.run([str(program), "--version"], stdout=subprocess.DEVNULL, check=True)
    except (OSError, subprocess.CalledProcessError):
        raise KitError(
            f"programs cannot be started in {folder.parent}",
            "name another folder with TMPDIR: TMPDIR=$HOME python3 provision ...",
        ) from None


def make_environment(folder: Path) -> dict[str, str]:
    """Return the command's environment: it finds tool, programs, bases and boats."""
    bases = folder / "cache" / "provision" / "bases"
    bases.mkdir(parents=True)
    for path in (bases, bases.parent, bases.parent.parent):
        path.chmod(0o700)
    for base in (KIT / "bases").iterdir():
        (bases / base.name).symlink_to(base)
    environment = {
        **os.environ,
        "PYTHONPATH": str(folder / "python"),
        "PYTHONSAFEPATH": "1",
        "PYTHONNOUSERSITE": "1",
        "PATH": os.pathsep.join([str(folder / "programs" / "bin"), os.environ.get("PATH", "")]),
        "XDG_CACHE_HOME": str(folder / "cache"),
        "PROVISION_BOATS": str(KIT / "boats"),
        "PROVISION_KIT": str(KIT),
    }
    if (KIT / PASSWORD).is_file():
        # On a stick any user of the computer may read it, which the tool refuses.
        copy = folder / PASSWORD
        copy.touch(mode=0o600)
        copy.write_bytes((KIT / PASSWORD).read_bytes())
        environment.setdefault("ANSIBLE_VAULT_PASSWORD_FILE", str(copy))
    environment.pop("PYTHONHOME", None)
    return environment


def run(words: list[str], environment: dict[str, str]) -> int:
    """Run the tool until it ends, and return its exit status. It is told of signals."""
    command = [sys.executable, "-m", "provision", *words]
    child = subprocess.Popen(command, env=environment)
    # The terminal tells the child of Ctrl-C itself.
    signal.signal(signal.SIGINT, lambda *_: None)
    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda number, _: child.send_signal(number))
    status = child.wait()
    return status if status >= 0 else 128 - status


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
