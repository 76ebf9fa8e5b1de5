# SPDX-License-Identifier: GPL-3.0-or-later
"""Do the boat's half of a push: put settings on trial in RAM, keep them, or roll back.

Runs aboard as root with the standard library alone. A command goes on when the connection that
started it breaks. Each step may be the last one before the power goes or the process is killed.
`return` then rolls back from what that step left in /run/boat. A timer that is armed before
anything changes runs it.
"""
