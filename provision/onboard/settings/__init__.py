# SPDX-License-Identifier: GPL-3.0-or-later
"""The boat's half of a push: put settings on trial in RAM, keep them, or return.

Runs aboard as root with the standard library alone. What a boat is told to do here survives
the connection it was told over, and each step may be the last one before the power goes or
the process is killed: `return`, run from a timer that is armed before anything changes, works
from what the step before it left in /run/boat.
"""
