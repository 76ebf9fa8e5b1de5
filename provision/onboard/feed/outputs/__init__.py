# SPDX-License-Identifier: GPL-3.0-or-later
"""Write what goes out: serial links, TCP, UDP, multicast, the clock."""
