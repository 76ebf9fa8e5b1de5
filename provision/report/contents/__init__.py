# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the page of each command's results: one command a file."""
