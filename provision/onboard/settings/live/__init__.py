# SPDX-License-Identifier: GPL-3.0-or-later
"""Read and change the running system: its files in RAM, its units, its health."""
