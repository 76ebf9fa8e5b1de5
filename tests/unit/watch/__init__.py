# SPDX-License-Identifier: GPL-3.0-or-later
"""What boat-watch remembers, without sockets or real time."""
