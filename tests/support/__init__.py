# SPDX-License-Identifier: GPL-3.0-or-later
"""Rigs that several lanes of tests use; they import no lane."""
