# SPDX-License-Identifier: GPL-3.0-or-later
"""The `provision` command, one kit of the whole example club for the tests of a file, a laptop."""

from __future__ import annotations

from tests.support.command import call
from tests.support.kit_rig import flipped, laptop, packed

__all__ = ["call", "flipped", "laptop", "packed"]
