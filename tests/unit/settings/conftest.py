# SPDX-License-Identifier: GPL-3.0-or-later
"""A booted boat with a few settings."""

from __future__ import annotations

from tests.support.settings.rig import boat, tmp_path

__all__ = ["boat", "tmp_path"]
