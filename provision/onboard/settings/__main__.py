# SPDX-License-Identifier: GPL-3.0-or-later
"""Run as `python3 -m provision.onboard.settings`."""

from __future__ import annotations

import sys

from provision.onboard.settings.cli import main

if __name__ == "__main__":
    sys.exit(main())
