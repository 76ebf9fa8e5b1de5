# SPDX-License-Identifier: GPL-3.0-or-later
"""What is rendered for a boat, and what the programs that read it make of it."""
