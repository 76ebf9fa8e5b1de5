# SPDX-License-Identifier: GPL-3.0-or-later
"""Share what tests of the boat's page need."""
