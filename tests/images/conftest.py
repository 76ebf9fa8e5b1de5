# SPDX-License-Identifier: GPL-3.0-or-later
"""The club whose cards are looked into."""

from __future__ import annotations

from tests.support.boats import club

__all__ = ["club"]
