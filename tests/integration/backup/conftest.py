# SPDX-License-Identifier: GPL-3.0-or-later
"""Boats in folders, each behind an sshd of its own on loopback."""

from __future__ import annotations

from tests.support.push.loopback import here, rig

__all__ = ["here", "rig"]
