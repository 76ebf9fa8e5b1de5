# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests of profiles that are made of what was heard."""
