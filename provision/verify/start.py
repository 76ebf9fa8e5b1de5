# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the start of the suite cheap. A roll-out starts it once for each boat."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path

#: Parts of pytest that the suite does not use. pytest does not import what is blocked.
UNUSED_PLUGINS = (
    *("cacheprovider", "debugging", "doctest", "faulthandler", "junitxml", "legacypath"),
    *("logging", "pastebin", "setuponly", "setupplan", "stepwise", "threadexception"),
    *("unittest", "unraisableexception"),
)

#: The folder, beside those of the boats in a workspace, for the compiled files of the suite.
COMPILED = "compiled"


def without_unused_plugins() -> list[str]:
    """Build the arguments of pytest that leave those parts out."""
    return [word for name in UNUSED_PLUGINS for word in ("-p", f"no:{name}")]


def share_compiled_files(job_file: Path) -> None:
    """Let the proofs of all boats of a workspace read the files that the first has compiled.

    Whoever can write a compiled file decides what runs, so that the workspace has to be private.
    Nothing is ever written beside the suite itself.
    """
    workspace = job_file.absolute().parent.parent
    status = workspace.stat()
    if status.st_uid != os.geteuid() or stat.S_IMODE(status.st_mode) & 0o077:
        return
    # Imported first: their own compiled files lie where they are installed.
    import pytest  # noqa: F401, PLC0415
    import testinfra.plugin  # type: ignore[import-untyped]  # noqa: F401, PLC0415

    sys.pycache_prefix = str(workspace / COMPILED)
    sys.dont_write_bytecode = False
