# SPDX-License-Identifier: GPL-3.0-or-later
"""Results of an invented club, and pages of them."""
