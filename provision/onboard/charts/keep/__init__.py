# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep charts on the card: what is there, what a stick adds, and each file in one step."""
