# SPDX-License-Identifier: GPL-3.0-or-later
"""Define how charts come aboard, and where tablets fetch them."""

from __future__ import annotations

from pydantic import field_validator

from provision.profile.schema.base import Model
from provision.profile.schema.types import InvalidValue, Size

#: The port where tablets fetch charts (IANA: http-alt, from memory).
CHARTS_PORT = 8080

#: The smallest cap: a choice of ours.
MIN_CAP_BYTES = 10**7


class ChartsConfig(Model):
    """Charts from a USB stick: copied from its folder `charts`, and offered to tablets by HTTP."""

    cap: Size = 4 * 10**9
    """How much of the card all charts together may take, such as 4 GB."""

    @field_validator("cap")
    @classmethod
    def _useful(cls, value: int) -> int:
        if value < MIN_CAP_BYTES:
            raise InvalidValue(f"{value / 10**6:g} MB are too few for charts", "at least 10 MB")
        return value
