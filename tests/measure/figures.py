# SPDX-License-Identifier: GPL-3.0-or-later
"""A measured figure: always a ratio to something measured in the same run, or a plain amount."""

from __future__ import annotations

import json
from dataclasses import dataclass


@dataclass(frozen=True)
class Ratio:
    """Ours against theirs, in the same unit; `aim` is the ratio not to exceed."""

    name: str
    ours: float
    theirs: float
    aim: float
    unit: str = "s"

    @property
    def ratio(self) -> float:
        """Ours in theirs."""
        return self.ours / self.theirs

    def line(self) -> str:
        """Return one JSON line."""
        return json.dumps(
            {
                "name": self.name,
                "ours": round(self.ours, 3),
                "theirs": round(self.theirs, 3),
                "unit": self.unit,
                "ratio": round(self.ratio, 3),
                "aim": self.aim,
            }
        )


@dataclass(frozen=True)
class Amount:
    """Holds a plain amount, not to exceed `aim`."""

    name: str
    amount: float
    aim: float
    unit: str

    def line(self) -> str:
        """Return one JSON line."""
        return json.dumps(
            {
                "name": self.name,
                "amount": round(self.amount, 1),
                "unit": self.unit,
                "aim": self.aim,
            }
        )
