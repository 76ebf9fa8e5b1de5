# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold what a survey heard, and where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from provision.survey.adapters import Adapter
from provision.survey.groups import NetworkReport
from provision.survey.report import PortReport


@dataclass(frozen=True)
class Heard:
    """Hold the reports of a survey, and the adapters that were plugged in."""

    reports: Sequence[PortReport]
    known: Sequence[Adapter]
    """All that were plugged in, also those that were not listened to."""
    aboard: bool = False
    """Whether the sockets are those of the boat's own computer. Another computer numbers its
    sockets otherwise."""
    networks: Sequence[NetworkReport] = ()
