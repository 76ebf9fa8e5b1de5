# SPDX-License-Identifier: GPL-3.0-or-later
"""Check names and login keys, and what the boats of one club must not share."""

from provision.checks.identity import access, club, names

__all__ = ["SUBJECTS", "club"]

SUBJECTS = (names.check, access.check)
