# SPDX-License-Identifier: GPL-3.0-or-later
"""Read what people type, and write what they read: questions, values, completion, output."""
