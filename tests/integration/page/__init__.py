# SPDX-License-Identifier: GPL-3.0-or-later
"""The boat's page over real sockets, beside a real feed."""
