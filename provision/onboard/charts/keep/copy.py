# SPDX-License-Identifier: GPL-3.0-or-later
"""Bring the charts of one mounted stick onto the card, and say how far that is."""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager

from provision.onboard.charts.beneath import FILE_FLAGS, FOLDER_FLAGS, open_beneath
from provision.onboard.charts.config import ChartsConfig
from provision.onboard.charts.keep.plan import Plan, make_plan
from provision.onboard.charts.keep.put import (
    CardFailing,
    NotCopied,
    StickBroken,
    card_explained,
    clear_unfinished,
    put,
)
from provision.onboard.charts.keep.room import blocks_of, free_bytes, measure
from provision.onboard.charts.state import State, StateFile
from provision.onboard.charts.stick.listing import Found, Refused, find_folder, list_charts

#: Files that cannot be read, after which the stick counts as broken.
MAX_UNREADABLE = 3

#: Seconds that a copy may take: 4 GB at 1 MB/s, and some.
MAX_COPY_S = 2 * 3600.0


def copy_stick(stick: str, config: ChartsConfig, report: StateFile) -> State:
    """Copy what is new on the stick mounted at `stick`. Return how it ended, and write that, too.

    Any stick ends in a state, and no exception. One copy runs at a time: another waits.
    """
    state = State(cap=config.cap)
    try:
        with _alone(config.folder):
            report.write(state)
            _Copy(stick, config, state, report).run()
    except Refused as refusal:
        state.phase, state.reason = "refused", str(refusal)
    except StickBroken:
        state.phase = "broken"
    except CardFailing:
        state.phase = "failing"
    except BaseException:
        state.phase = "stopped"
        report.write(state)
        raise
    report.write(state)
    return state


class _Copy:
    def __init__(self, stick: str, config: ChartsConfig, state: State, report: StateFile) -> None:
        self._stick = stick
        self._config = config
        self._state = state
        self._report = report
        self._unreadable = 0
        self._until = time.monotonic() + MAX_COPY_S

    def run(self) -> None:
        with _folder(self._stick) as top:
            with _reading_stick():
                name = find_folder(top)
            if name is None:
                self._state.phase = "empty"
                return
            with _folder(name, top) as charts:
                with _reading_stick():
                    found = list_charts(charts, self._state.leave_out)
                self._copy_all(charts, self._plan(found).copy)
        self._state.phase = "done"

    def _plan(self, found: list[Found]) -> Plan:
        config, state = self._config, self._state
        with card_explained():
            clear_unfinished(config.folder)
            room = measure(config)
            plan = make_plan(found, config.folder, room, state.leave_out)
        state.used, state.cap, state.same = room.used, room.cap, plan.same
        state.of_files, state.of_bytes, state.needed = len(plan.copy), plan.bytes, plan.needed
        if plan.needed:
            raise Refused("no-room")
        if plan.too_many:
            raise Refused("too-many-files")
        return plan

    def _copy_all(self, charts: int, files: list[Found]) -> None:
        self._state.phase = "copying"
        self._report.write(self._state)
        for file in files:
            try:
                self._copy(charts, file)
            except NotCopied as left:
                self._state.leave_out(file.path, str(left))
            except StickBroken:
                self._unreadable += 1
                self._state.leave_out(file.path, "not readable")
                if self._unreadable >= MAX_UNREADABLE:
                    raise
        with card_explained():
            self._state.used = measure(self._config).used

    def _copy(self, charts: int, file: Found) -> None:
        with card_explained():
            free = free_bytes(self._config.folder)
        if free < blocks_of(file.size):
            self._state.needed = blocks_of(file.size)
            raise Refused("no-room")
        source = _open(charts, file)
        before = self._state.bytes
        try:
            put(source, file, self._config.folder, self._advance)
        except BaseException:
            self._state.bytes = before
            raise
        finally:
            os.close(source)
        self._state.files += 1

    def _advance(self, count: int) -> None:
        if time.monotonic() > self._until:
            raise Refused("too-slow")
        self._state.bytes += count
        self._report.write(self._state, now=False)


def _open(charts: int, file: Found) -> int:
    try:
        return open_beneath(charts, file.path, FILE_FLAGS)
    except PermissionError:
        raise NotCopied("not readable") from None
    except OSError as error:
        raise StickBroken(error.strerror) from error


@contextmanager
def _reading_stick() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise StickBroken(error.strerror) from error


@contextmanager
def _folder(path: str, above: int | None = None) -> Iterator[int]:
    with _reading_stick():
        descriptor = os.open(path, FOLDER_FLAGS, dir_fd=above)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


@contextmanager
def _alone(folder: str) -> Iterator[None]:
    """Wait until no other stick is copied. Refused when the boat has no folder for charts."""
    try:
        descriptor = os.open(folder, FOLDER_FLAGS)
    except OSError:
        raise Refused("no-card") from None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)
