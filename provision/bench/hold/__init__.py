# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep a virtual boat running, and find one that is kept."""
