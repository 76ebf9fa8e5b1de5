# SPDX-License-Identifier: GPL-3.0-or-later
"""Pure tests, seconds in all: no sshd, no Ansible, no namespaces."""
