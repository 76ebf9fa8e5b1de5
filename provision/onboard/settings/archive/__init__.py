# SPDX-License-Identifier: GPL-3.0-or-later
"""Read and write a settings archive and its manifest, in their one form."""
