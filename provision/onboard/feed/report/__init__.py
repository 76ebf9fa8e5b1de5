# SPDX-License-Identifier: GPL-3.0-or-later
"""Report the state of the feed and its faults."""
