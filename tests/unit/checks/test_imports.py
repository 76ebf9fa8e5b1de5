# SPDX-License-Identifier: GPL-3.0-or-later
"""check starts at once: it imports nothing that it does not need."""

from __future__ import annotations

import subprocess
import sys

#: What takes long to import, and finds no mistake in a profile.
SLOW = {"ansible", "asyncio", "cryptography", "jinja2", "paramiko", "rich", "ssl"}


def test_checks_import_nothing_slow() -> None:
    script = "import sys, provision.checks; print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert not SLOW & set(done.stdout.split())
