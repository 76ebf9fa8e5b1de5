# SPDX-License-Identifier: GPL-3.0-or-later
"""boat-watch over real sockets, as a program."""
