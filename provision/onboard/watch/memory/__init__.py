# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep samples: a day by the minute, thirty days by the hour, and files on the card."""
