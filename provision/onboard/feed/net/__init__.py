# SPDX-License-Identifier: GPL-3.0-or-later
"""Open sockets and serial ports, and ask the kernel about addresses."""
