# SPDX-License-Identifier: GPL-3.0-or-later
"""A laptop that looks for boats on loopback."""

from __future__ import annotations

from tests.support.push.loopback import here

__all__ = ["here"]
