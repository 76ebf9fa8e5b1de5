# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold and format a sum of a check: its value, its limit, and where the limit comes from."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from provision.checks.finding import Finding
from provision.profile.load import Boat

Verdict = Literal["fine", "warning", "error", "unknown"]

#: Stands below electrical sums, and below findings about them.
ELECTRICAL_CAUTION = (
    "electrical sums help to choose and prove nothing: local codes, the standards ABYC E-11 and "
    "ISO 13297, and a licensed electrician decide"
)

#: Numbers from here on are shown whole.
_WHOLE_FROM = 100


@dataclass(frozen=True)
class Figure:
    """Describe one sum about a boat. A value of None could not be calculated."""

    subject: str
    """The name that a finding of this sum has, such as link-load.gnss."""
    name: str
    value: float | None
    unit: str
    source: str
    """Where the limit, or else the value, comes from."""
    limit: float | None = None
    bound: Literal["most", "least"] = "most"
    """Whether the value may be at most or at least the limit."""
    verdict: Verdict = "fine"
    help: str = ""
    """What would help. Of an unknown value, which key is missing and how to find its value."""
    key: str = ""
    """The key of the profile that the sum is about."""
    electrical: bool = False
    """Whether the sum is about the boat's own wiring, which calls for the caution."""
    boat: str = ""

    @property
    def text(self) -> str:
        """Return name, value and limit."""
        if self.value is None:
            return f"{self.name}: not known"
        text = f"{self.name}: {format_number(self.value)} {self.unit}"
        if self.limit is not None:
            text += f", at {self.bound} {format_number(self.limit)}"
        return f"{text} ({self.source})"

    def as_json(self) -> dict[str, object]:
        """Return the figure as plain data, for `--json`."""
        return {
            "boat": self.boat,
            "subject": self.subject,
            "name": self.name,
            "value": self.value,
            "unit": self.unit,
            "limit": self.limit,
            "bound": self.bound if self.limit is not None else None,
            "source": self.source,
            "verdict": self.verdict,
            "help": self.help,
            "key": self.key,
        }


def caution_for(figures: Sequence[Figure], findings: Sequence[Finding]) -> str:
    """Return the caution that belongs to electrical sums, or "" if there are none."""
    calculated = any(figure.electrical and figure.value is not None for figure in figures)
    found = any(finding.location.key.startswith("supply") for finding in findings)
    return ELECTRICAL_CAUTION if calculated or found else ""


def judge(
    value: float, limit: float, bound: Literal["most", "least"] = "most", above: Verdict = "error"
) -> Verdict:
    """Return `fine` for a value within its limit, and `above` for any other."""
    return "fine" if (value <= limit if bound == "most" else value >= limit) else above


def find_broken_limits(boat: Boat, figures: Sequence[Figure]) -> Iterator[Finding]:
    """Yield a finding for each figure that its limit warns of or forbids."""
    for figure in figures:
        if figure.verdict in ("warning", "error"):
            yield Finding(
                "error" if figure.verdict == "error" else "warning",
                figure.subject,
                figure.text,
                boat.location(figure.key),
                figure.help,
            )


def format_number(value: float) -> str:
    """Write a number with three digits, or as a whole one."""
    return f"{value:.0f}" if abs(value) >= _WHOLE_FROM else f"{value:.3g}"


def format_figures(figures: Sequence[Figure]) -> Iterator[str]:
    """Yield lines for people: the boat, then its sums, with what helps where it is needed."""
    for boat, group in groupby(figures, lambda one: one.boat):
        yield f"{boat}:"
        for figure in group:
            yield f"  {figure.verdict:8}{figure.text} [{figure.subject}]"
            if figure.verdict != "fine" and figure.help:
                yield f"    hint: {figure.help}"
