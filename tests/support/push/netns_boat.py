# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat in namespaces of its own, seen from inside.

`python -m tests.support.push.netns_boat boot FOLDER ADDRESS GATEWAY` makes this machine's own file
system the base of a boat, with a RAM overlay on it and the kept settings of FOLDER unpacked as
the initramfs does; once a line on standard input says that the wire is there, it becomes the
boat's sshd. `python -m tests.support.push.netns_boat settings ARGUMENT...` is the boat's
`boat-settings`: the program that runs aboard, on /, with its units left undone.
"""

from __future__ import annotations

import json
import os
import pwd
import shlex
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

from provision.onboard.feed.config.models import STATE_SOCKET
from provision.onboard.settings.cli import main as boat_settings
from provision.onboard.settings.live.system import System
from tests.support import programs
from tests.support.push import push_boat

#: Debian's own, as aboard.
PYTHON = "/usr/bin/python3"

MODULE = "tests.support.push.netns_boat"
REPOSITORY = Path(__file__).parents[3]

#: The end of the wire aboard.
WIRE = "wire"


#: When the feed would have been started, in microseconds on the monotonic clock.
STARTED = Path("/feed-started")

#: What the suite hears of units: none is there, and since when the feed runs.
SYSTEMCTL = f"""#!/bin/sh
[ "$*" = "show --value -p ActiveEnterTimestampMonotonic boat-feed.service" ] || exit 3
cat {STARTED}
"""


#: What the boat's feed reports: no link, and so none that is silent.
FEED_STATE = {"running": 100.0, "links": {}, "inputs": {}}


class Units(push_boat.Units):
    """No unit is real; what belongs to the kernel is."""

    def run(self, *command: str, timeout: float = 0) -> str:
        if command == ("systemctl", "restart", "boat-feed.service"):
            STARTED.write_text(str(time.monotonic_ns() // 1000))
        return super().run(*command, timeout=timeout)

    def hostname(self, name: str) -> None:
        System.hostname(self, name)

    def is_mounted(self, folder: Path) -> bool:
        return System.is_mounted(self, folder)


def boot(folder: Path, address: str, gateway: str) -> None:
    """Never returns: this process becomes the boat's sshd."""
    argv = programs.sshd()
    ram = folder / "ram"
    ram.mkdir()
    _mount("-t", "tmpfs", "tmpfs", ram)
    upper, work, root = (ram / name for name in ("upper", "work", "root"))
    for part in (upper, work, root):
        part.mkdir()
    layers = f"lowerdir=/,upperdir={upper},workdir={work}"
    _mount("-t", "overlay", "-o", layers, "overlay", root)
    for name in ("run", "tmp", "data"):
        (root / name).mkdir(exist_ok=True)
        _mount("-t", "tmpfs", "tmpfs", root / name)
    # The program is run from where it lies, which may be in one of those.
    code = root / REPOSITORY.relative_to("/")
    code.mkdir(parents=True, exist_ok=True)
    _mount("--bind", "-o", "ro", REPOSITORY, code)
    _mount("--rbind", "/dev", root / "dev")
    _mount("-t", "proc", "proc", root / "proc")
    _mount("-t", "sysfs", "sysfs", root / "sys")
    for name in ("run/sshd", "run/boat/base", "data/settings"):
        (root / name).mkdir(parents=True)
    _mount("--bind", "-o", "ro", "/", root / "run/boat/base")
    _unpack(folder, root)
    os.chroot(root)
    os.chdir("/")
    Units(Path("/")).hostname(Path("/etc/hostname").read_text().strip())
    sys.stdin.readline()
    for command in (
        f"address add {address} dev {WIRE}",
        f"link set {WIRE} up",
        "link set lo up",
        f"route add {gateway}/32 dev {WIRE}",
    ):
        subprocess.run(["ip", *command.split()], check=True)
    if os.fork() == 0:
        _report_state(Path(STATE_SOCKET))
    Path("/sshd.pid").write_text(str(os.getpid()))
    os.execvp(argv[0], [*argv, "-D", "-e"])  # noqa: S606 - no shell is wanted


def _report_state(path: Path) -> None:
    """Answer as the feed does, until the boat's first process ends and all others with it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as server:
        server.bind(str(path))
        server.listen()
        while True:
            client, _ = server.accept()
            with client, suppress(OSError):
                client.sendall(json.dumps(FEED_STATE).encode())


def _mount(*words: object) -> None:
    subprocess.run(["mount", *map(str, words)], check=True)


def _unpack(folder: Path, root: Path) -> None:
    """Unpack the settings as the initramfs does."""
    archive, choice = folder / "settings.tar", json.loads((folder / "settings.json").read_text())
    digest, base = choice["sha256"], root / "usr/lib/boat-base/base.json"
    (root / "run/boat/settings.json").write_text(json.dumps(choice))
    (root / "run/boat/settings.tar").write_bytes(archive.read_bytes())
    (root / f"data/settings/{digest}.tar").write_bytes(archive.read_bytes())
    (root / "data/settings/kept").write_text(f"{digest}  {digest}.tar\n")
    base.parent.mkdir()
    base.write_bytes((folder / "base.json").read_bytes())
    command = shlex.join(["env", f"PYTHONPATH={REPOSITORY}", PYTHON, "-m", MODULE, "settings"])
    settings = f'#!/bin/sh\ncd {shlex.quote(str(REPOSITORY))} && exec {command} "$@"\n'
    _write_program(root / "usr/bin/boat-settings", settings)
    _write_program(root / "usr/bin/systemctl", SYSTEMCTL)
    # The suite asks sshd for its settings by name, and this machine may have none installed.
    sshd = f'#!/bin/sh\nexec {shlex.join(programs.sshd())} "$@"\n'
    _write_program(root / "usr/sbin/sshd", sshd)
    (root / STARTED.name).write_text("0")
    for key in (root / "etc/ssh").glob("ssh_host_*"):
        key.unlink()  # a base has none
    # sshd's shell would read it for every command: this machine's, which may do anything.
    (root / Path(pwd.getpwnam("root").pw_dir).relative_to("/") / ".bashrc").unlink(missing_ok=True)
    subprocess.run(["tar", "-x", "--no-same-owner", "-C", root, "-f", archive], check=True)


def _write_program(path: Path, text: str) -> None:
    """Replace what this machine has there, which may be a link."""
    path.unlink(missing_ok=True)
    path.write_text(text)
    path.chmod(0o755)


def main() -> int:
    """See the module."""
    if sys.argv[1] == "boot":
        boot(Path(sys.argv[2]), *sys.argv[3:])
    return boat_settings(sys.argv[2:], Units(Path("/")))


if __name__ == "__main__":
    sys.exit(main())
