# SPDX-License-Identifier: GPL-3.0-or-later
"""Draw bars: the shares of a whole, a value against its limit, and values side by side.

Lengths are percentages of the space that the page gives, so that no text is scaled.
"""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from provision.report.page import Share

#: The share of a bar's width at which the limit stands. The rest is for values beyond it.
LIMIT_PERCENT = 75

#: Percent of the width that a share has at least, so that its number fits.
MIN_SHARE_PERCENT = 6


def draw_shares(shares: Sequence[Share]) -> Markup:
    """Draw one bar, divided by the shares, with the number of each."""
    if not shares:
        return Markup()
    drawn, at = [], 0.0
    for share, width in zip(shares, _widths([share.count for share in shares]), strict=True):
        drawn.append(
            Markup(
                '<g class="{}"><rect x="{}%" width="{}%" height="40"/>'
                '<rect class="plate" x="{}%" y="9" width="34" height="22" '
                'transform="translate(-17)"/>'
                '<text x="{}%" y="26">{}</text></g>'
            ).format(
                share.mark, _number(at), _number(width), *[_number(at + width / 2)] * 2, share.count
            )
        )
        at += width
    return Markup('<svg class="shares" height="40" aria-hidden="true">{}</svg>').format(
        Markup().join(drawn)
    )


def draw_limit(value: float, limit: float, *, least: bool = False) -> Markup:
    """Draw a value against its limit, which has a line. With `least` the value is to reach it."""
    if limit <= 0:
        # Nothing is the limit: any value is beyond, or reaches, it.
        share = 0.0 if value <= 0 else 100.0
    else:
        share = min(100.0, max(0.0, LIMIT_PERCENT * value / limit))
    return Markup(
        '<svg class="limit{}"><rect y="3" width="{:.0f}%" height="8"/>'
        '<rect x="{}%" width="2" height="14"/></svg>'
    ).format(" least" if least else "", share, LIMIT_PERCENT)


def draw_length(value: float, longest: float) -> Markup:
    """Draw a value as the share of the longest."""
    share = 100 * value / longest if longest > 0 else 0.0
    return Markup('<svg><rect y="1" width="{:.0f}%" height="12"/></svg>').format(min(100.0, share))


def _widths(counts: Sequence[int]) -> list[float]:
    """Divide 100 percent by the counts, and give each at least MIN_SHARE_PERCENT."""
    whole = sum(counts)
    wanted = [max(100 * count / whole, MIN_SHARE_PERCENT) for count in counts]
    return [100 * width / sum(wanted) for width in wanted]


def _number(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")
