# SPDX-License-Identifier: GPL-3.0-or-later
"""Remember on this computer what is known of boats: where they answered, their cards, losses."""
