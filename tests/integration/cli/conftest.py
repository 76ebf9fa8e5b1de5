# SPDX-License-Identifier: GPL-3.0-or-later
"""The `provision` command, and a folder of boats to call it with."""

from __future__ import annotations

from tests.support.command import boats, call

__all__ = ["boats", "call"]
