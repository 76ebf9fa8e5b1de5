# SPDX-License-Identifier: GPL-3.0-or-later
"""A command over which a boat's files lie, in namespaces of its own."""

from __future__ import annotations

import subprocess
from pathlib import Path

from provision.commands import run
from tests.support.programs import ROOT

#: Lays a boat's files, and below them the programs that the tests bring, over this machine's
#: for one command, in namespaces of its own: the command sees the boat's /etc and /usr, an
#: empty /run and no network.
OVER = """
set -e
tree=$1
programs=$2
shift 2
for folder in etc usr; do
    mount -t overlay boat -o "lowerdir=$tree/$folder:$programs/$folder:/$folder" "/$folder"
done
mount -t tmpfs boat /run
mkdir -p /run/sshd /run/dnsmasq
ip link set lo up
# Not as the first process: systemd's programs behave otherwise as that.
"$@"
exit 0
"""


def aboard(tree: Path, *command: str | Path) -> subprocess.CompletedProcess[str]:
    """Run a command where the files under `tree` lie as they do aboard; nothing outlives it."""
    apart = ("unshare", "-rmnpf", "--kill-child", "--mount-proc")
    return run(*apart, "sh", "-c", OVER, "sh", tree, ROOT, *command, check=False, timeout=30)
