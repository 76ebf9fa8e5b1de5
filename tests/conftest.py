# SPDX-License-Identifier: GPL-3.0-or-later
"""Set up what every test may rely on, however the run was started."""

from __future__ import annotations

import gc
import signal

from hypothesis import settings

# How long an example takes says more about what else the machine does. A test that finds its
# faults only with more examples names its own number.
settings.register_profile("untimed", deadline=None, max_examples=50)
settings.load_profile("untimed")

# Collecting thousands of tests makes little garbage: each sweep would go through all of them.
gc.disable()


def pytest_collection_finish() -> None:
    """Sweep again, but leave out what lives until the run ends."""
    gc.collect()
    gc.freeze()
    gc.enable()


# A run in the background of a script, or under nohup, begins with these ignored, and so would
# every program that a test starts and then interrupts.
for _number, _handler in (
    (signal.SIGINT, signal.default_int_handler),
    (signal.SIGHUP, signal.SIG_DFL),
):
    if signal.getsignal(_number) is signal.SIG_IGN:
        signal.signal(_number, _handler)
