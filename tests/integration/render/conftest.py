# SPDX-License-Identifier: GPL-3.0-or-later
"""Boats to render, in as few words as a test needs."""

from __future__ import annotations

from tests.support.render_rig import rendered, tree

__all__ = ["rendered", "tree"]
