# SPDX-License-Identifier: GPL-3.0-or-later
"""Ask a boat for its status and its files, and compare the files with new ones."""
