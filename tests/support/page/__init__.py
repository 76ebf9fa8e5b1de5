# SPDX-License-Identifier: GPL-3.0-or-later
"""What tests of the boat's page share."""
