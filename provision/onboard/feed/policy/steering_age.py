# SPDX-License-Identifier: GPL-3.0-or-later
"""Bound the age of sentences that steer. `provision check` counts with it, too."""

from __future__ import annotations

#: Seconds. A steering sentence older than this is never delivered.
MAX_STEERING_AGE_S = 1.0
