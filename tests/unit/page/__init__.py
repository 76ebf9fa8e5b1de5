# SPDX-License-Identifier: GPL-3.0-or-later
"""The boat's page, without a network."""
