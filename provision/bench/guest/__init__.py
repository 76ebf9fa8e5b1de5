# SPDX-License-Identifier: GPL-3.0-or-later
"""Add to a running guest what the bench needs beside the card, never on it."""
