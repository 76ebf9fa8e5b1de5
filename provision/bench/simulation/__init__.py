# SPDX-License-Identifier: GPL-3.0-or-later
"""Simulate one sailing boat: what each of its instruments sends, and when."""
