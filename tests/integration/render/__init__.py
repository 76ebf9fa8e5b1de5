# SPDX-License-Identifier: GPL-3.0-or-later
"""Tests of rendered files with the programs that read them."""
