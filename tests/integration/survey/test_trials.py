# SPDX-License-Identifier: GPL-3.0-or-later
"""Hundreds of random wires, on a virtual clock: no wrong baud rate is ever found."""

from __future__ import annotations

import pytest

from tests.support.trials import KINDS, figures, trials

#: Seconds in which a talker that says a sentence every two seconds is found.
MOST_S = 30.0


def test_random_wires(capsys: pytest.CaptureFixture[str]) -> None:
    """Never is a wrong baud rate found, and nearly always the right one."""
    ended = trials(36 * len(KINDS), seed=5)
    with capsys.disabled():
        print("", *figures(ended), sep="\n")
    assert len(ended) > 300
    assert [one.trial.described for one in ended if one.wrong] == []
    shares = {kind: sum(one.hit for one in ended if one.trial.kind == kind) / 36 for kind in KINDS}
    assert min(shares[kind] for kind in ("plain", "noise", "silent")) == 1.0
    # A sentence in three to six seconds may need longer than the limit.
    assert shares.pop("slow") >= 0.6
    assert min(shares.values()) >= 0.85, shares
    assert all(one.search.ended <= MOST_S + 0.1 for one in ended)
