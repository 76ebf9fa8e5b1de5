# SPDX-License-Identifier: GPL-3.0-or-later
"""Read voyage logs as days of sailing: `days` finds them, `track` and `export` write them out."""
