# SPDX-License-Identifier: GPL-3.0-or-later
"""The `provision` command. Each file here holds commands of one kind: parse, call, print.

Exit status: 0 well, 1 found something wrong, 2 could not run.
"""

from __future__ import annotations

import sys

from provision.cli import bench, boats, cards, profiles, replay
from provision.cli.common import app, fail
from provision.errors import UserError

__all__ = ["app", "bench", "boats", "cards", "main", "profiles", "replay"]


def main() -> None:
    """Run one command; errors that the user can mend are printed here and nowhere else."""
    try:
        app(prog_name="provision")
    except UserError as error:
        sys.exit(fail(error))
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:
        # Whoever read us has heard enough.
        sys.stderr.close()
        sys.exit(1)
