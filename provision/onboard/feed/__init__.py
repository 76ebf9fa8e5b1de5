# SPDX-License-Identifier: GPL-3.0-or-later
"""boat-feed: every instrument on every screen.

Sentences come in over links (serial ports) and inputs (the network), each with its own
framer; the hub routes them to sinks: TCP clients, UDP datagrams, serial listeners, the
clock, the voyage log. One asyncio process; but for the voyage log's writes, which a worn card
may hold up, no threads. Debian's python3 alone.
"""
