# SPDX-License-Identifier: GPL-3.0-or-later
"""Take a sample: the configuration, the computer's files, the feed's state."""
