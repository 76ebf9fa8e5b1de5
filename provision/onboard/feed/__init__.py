# SPDX-License-Identifier: GPL-3.0-or-later
"""boat-feed: bring every instrument to every screen.

Sentences come in over links (serial ports) and inputs (the network), each with its own
framer. The router sends them to sinks: TCP clients, UDP datagrams, serial listeners, the
clock, the voyage log. It is one asyncio process. Only the voyage log's writes have a thread,
because a worn card may hold them up. Runs on Debian's python3 alone.
"""
