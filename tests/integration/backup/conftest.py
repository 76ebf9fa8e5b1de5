# SPDX-License-Identifier: GPL-3.0-or-later
"""Boats in folders, each behind an sshd of its own on loopback, and a small base."""

from __future__ import annotations

from tests.support.push.loopback import here, rig
from tests.support.small_base import small

__all__ = ["here", "rig", "small"]
