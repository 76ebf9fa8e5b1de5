# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that finds out what is on the wires of a boat: survey."""
