# SPDX-License-Identifier: GPL-3.0-or-later
"""Run the suite of tests/boat against one boat."""
