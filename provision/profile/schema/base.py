# SPDX-License-Identifier: GPL-3.0-or-later
"""Define what all parts of a profile have in common."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Model(BaseModel):
    """Refuse unknown keys, silent conversions, and changes after reading."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, defer_build=True)
