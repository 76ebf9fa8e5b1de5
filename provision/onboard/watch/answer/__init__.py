# SPDX-License-Identifier: GPL-3.0-or-later
"""Answer what the boat remembers: sums, bins of time, and what somebody should do."""
