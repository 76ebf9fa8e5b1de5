# SPDX-License-Identifier: GPL-3.0-or-later
"""Reach a boat over SSH: where it answers, its pinned host key, and bounds on what it sends."""
