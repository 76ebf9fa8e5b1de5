# SPDX-License-Identifier: GPL-3.0-or-later
"""What every test may rely on, however the run was started."""

from __future__ import annotations

import signal

from hypothesis import settings

# How long an example takes says more about what else the machine does.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

# A run in the background of a script, or under nohup, begins with these ignored, and so would
# every program that a test starts and then interrupts.
for _number, _handler in (
    (signal.SIGINT, signal.default_int_handler),
    (signal.SIGHUP, signal.SIG_DFL),
):
    if signal.getsignal(_number) is signal.SIG_IGN:
        signal.signal(_number, _handler)
