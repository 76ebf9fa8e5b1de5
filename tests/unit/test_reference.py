# SPDX-License-Identifier: GPL-3.0-or-later
"""The reference below docs/ is what the commands and the profile's models say."""

import subprocess
import sys
from pathlib import Path

TOP = Path(__file__).parents[2]


def test_the_reference_is_what_make_docs_writes() -> None:
    command = [sys.executable, "tools/docs.py", "--check"]
    done = subprocess.run(command, cwd=TOP, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_man_page_is_one() -> None:
    """The page is installed with the command. man(7) wants a title line and a name to index."""
    text = (TOP / "docs/provision.1").read_text()
    assert ".TH PROVISION 1" in text
    assert "\nprovision \\- turn" in text
