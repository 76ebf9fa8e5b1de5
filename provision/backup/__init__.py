# SPDX-License-Identifier: GPL-3.0-or-later
"""Copy what a boat alone has to this computer: logs, settings, history, charts.

`rooms` names the folders aboard, `aboard` reads them over SFTP, `changes` decides what has to
be copied, `store` keeps the copies and their digests, `copy` copies one boat.
"""
