# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat's folder of charts, and sticks, in folders of this computer."""
