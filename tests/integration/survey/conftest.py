# SPDX-License-Identifier: GPL-3.0-or-later
"""The command, for the tests of the survey."""

from tests.support.command import call

__all__ = ["call"]
