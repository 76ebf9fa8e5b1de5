# SPDX-License-Identifier: GPL-3.0-or-later
"""The `provision` command, a folder of boats, and a small base to make their cards from."""

from __future__ import annotations

from tests.support.command import boats, call
from tests.support.small_base import small

__all__ = ["boats", "call", "small"]
