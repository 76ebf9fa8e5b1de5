# SPDX-License-Identifier: GPL-3.0-or-later
"""What the bench puts into a running guest beside its card, never on it."""
