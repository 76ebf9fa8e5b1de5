# SPDX-License-Identifier: GPL-3.0-or-later
"""A feed in this process, with pseudo-terminals for adapters and sockets for tablets."""

from __future__ import annotations

from tests.support.feed.chrony_socket import chrony
from tests.support.feed.rig import bench, own_groups

__all__ = ["bench", "chrony", "own_groups"]
