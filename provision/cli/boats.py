# SPDX-License-Identifier: GPL-3.0-or-later
"""Commands that reach running boats: push, verify."""

from __future__ import annotations
