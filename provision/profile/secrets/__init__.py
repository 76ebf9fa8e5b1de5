# SPDX-License-Identifier: GPL-3.0-or-later
"""Make, keep and replace the secrets of boats, encrypted beside their profiles."""
