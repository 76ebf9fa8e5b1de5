# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a boat's card could be made again."""
