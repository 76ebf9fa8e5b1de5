# SPDX-License-Identifier: GPL-3.0-or-later
"""The profile: one YAML file a boat, read into typed models at the edge."""
