# SPDX-License-Identifier: GPL-3.0-or-later
"""Boats' files as the tool writes them."""

from __future__ import annotations

from tests.support.render_rig import rendered

__all__ = ["rendered"]
