# SPDX-License-Identifier: GPL-3.0-or-later
"""Run `boat-settings`: results as JSON on standard output, messages on standard error.

Exit statuses:
  0  done, or nothing to do
  1  refused or failed; the boat is on its kept settings and nothing is on trial
  2  could not run: wrong usage, not root, no settings to work from
  3  failed, and a trial is still on; its timer rolls the boat back
  4  refused: the trial of another owner is on, or another boat-settings is at work
  5  a soft rollback failed at the deadline; the boat is restarting
  6  return: the settings on trial turned out to be kept already, and stay
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from provision.onboard.settings.archive.manifest import is_digest
from provision.onboard.settings.archive.tar import MAX_ARCHIVE_BYTES
from provision.onboard.settings.detach import run_detached
from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.live.system import System
from provision.onboard.settings.lock import hold_lock
from provision.onboard.settings.paths import Paths
from provision.onboard.settings.rollback import roll_back
from provision.onboard.settings.spare.make import Spare, make_spare
from provision.onboard.settings.stage import begin, stage, unstage
from provision.onboard.settings.status import format_text, read_status
from provision.onboard.settings.store.keep import keep
from provision.onboard.settings.store.state import (
    MAX_TRIAL_S,
    MIN_TRIAL_S,
    load_trial,
    read_archive,
)
from provision.onboard.settings.trial import Request, start_trial

#: Characters of a name or reason that other logins see.
MAX_TEXT_CHARS = 200


def main(arguments: Sequence[str] | None = None, system: System | None = None) -> int:
    """Run one command and return its exit status."""
    options = _parser().parse_args(arguments)
    aboard = Paths(options.root)
    system = system or System()
    if options.root == Path("/") and os.geteuid() != 0:
        return _fail(SettingsError("root", "only root can do this", status=Exit.UNABLE))
    if options.command == "status":
        return _report(lambda: (read_status(aboard, system), Exit.OK), text=not options.json)
    try:
        work = _work(options, aboard, system)
    except SettingsError as error:
        return _fail(error)
    if options.command == "return" and options.deadline:
        return _report(work)
    code = run_detached(lambda: _report(work))
    return code if code >= 0 else _interrupted(aboard, -code)


Work = Callable[[], tuple[dict[str, object], Exit]]


def _work(options: argparse.Namespace, aboard: Paths, system: System) -> Work:
    """Read the archive now, and return the command as work that needs the connection no more."""
    if options.command == "return":
        reason = options.reason or ("the trial's time was up" if options.deadline else "asked for")
        return lambda: roll_back(
            aboard, system, reason, deadline=options.deadline, only=options.sha256
        )
    command: Callable[[Paths, System], dict[str, object]]
    if options.command in ("trial", "stage"):
        request = Request(
            data=_read_archive_argument(options.archive),
            digest=options.sha256,
            seconds=options.seconds,
            owner=options.owner,
            overwrite_drift=options.command == "trial" and options.overwrite_drift,
        )
        command = partial(start_trial if options.command == "trial" else stage, request=request)
    elif options.command == "spare":
        command = partial(make_spare, wanted=Spare(options.device, erase=options.erase))
        note = f"looking at {options.device}; a spare takes some minutes"
        print(f"boat-settings: {note}", file=sys.stderr)
    elif options.command == "keep":
        command = partial(keep, digest=options.sha256)
    else:
        command = unstage if options.command == "unstage" else begin
    # A command that waits for the lock must treat `begin` as the trial that it runs.
    name = "trial" if options.command == "begin" else options.command
    return lambda: _locked(aboard, system, name, command)


def _locked(
    aboard: Paths,
    system: System,
    name: str,
    command: Callable[[Paths, System], dict[str, object]],
) -> tuple[dict[str, object], Exit]:
    with hold_lock(aboard, system, name):
        return command(aboard, system), Exit.OK


def _read_archive_argument(name: str) -> bytes:
    if name == "-":
        return sys.stdin.buffer.read(MAX_ARCHIVE_BYTES + 1)
    try:
        return read_archive(Path(name))
    except OSError as error:
        message = f"{name}: {error.strerror}"
        raise SettingsError("archive", message, status=Exit.UNABLE) from None


def _report(work: Work, *, text: bool = False) -> int:
    try:
        result, code = work()
    except SettingsError as error:
        return _fail(error)
    except OSError as error:
        message = f"{error.filename or 'the boat'}: {error.strerror}"
        return _fail(SettingsError("files", message, status=Exit.UNABLE))
    print(format_text(result) if text else json.dumps(result, sort_keys=True))
    return code


def _fail(error: SettingsError) -> int:
    print(json.dumps(error.as_json(), sort_keys=True))
    hint = f"\n  hint: {error.hint}" if error.hint else ""
    print(f"boat-settings: {error.message}{hint}", file=sys.stderr)
    return error.status


def _interrupted(aboard: Paths, signal: int) -> int:
    on = load_trial(aboard) is not None
    message = f"stopped by signal {signal}" + (": the boat is rolling back" if on else "")
    return _fail(SettingsError("stopped", message, status=Exit.ON_TRIAL if on else Exit.REFUSED))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="boat-settings",
        description="Put settings on trial, keep them, or roll back to the kept ones.",
        epilog="\n".join((__doc__ or "").splitlines()[2:]),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--root", type=Path, default=Path("/"), help=argparse.SUPPRESS)
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    show = commands.add_parser("status", help="which settings, trial, drift, health")
    show.add_argument("--json", action="store_true", help="everything, as JSON")

    put = commands.add_parser("trial", help="apply settings in RAM, with a rollback timer")
    later = commands.add_parser("stage", help="leave settings for a trial from the next start")
    for command in (put, later):
        command.add_argument("archive", metavar="ARCHIVE", help="a settings archive; - reads it")
        command.add_argument("--sha256", type=_digest, required=True, metavar="HEX")
        command.add_argument("--seconds", type=_seconds, required=True, metavar="N")
        command.add_argument("--owner", type=_words, required=True, metavar="TEXT", help="who asks")
    put.add_argument("--overwrite-drift", action="store_true", help="over changes by hand, too")
    commands.add_parser("unstage", help="forget the settings that were left for the next start")
    commands.add_parser("begin", help="at a start: put on trial what was left for it")

    hold = commands.add_parser("keep", help="make the settings on trial the kept ones")
    hold.add_argument("--sha256", type=_digest, required=True, metavar="HEX")

    copy = commands.add_parser("spare", help="make a spare of this card, in a reader aboard")
    copy.add_argument("device", type=Path, metavar="DEVICE", help="a whole device: /dev/sda")
    copy.add_argument("--erase", action="store_true", help="also when it is not empty")

    back = commands.add_parser("return", help="roll back to the kept settings")
    back.add_argument("--reason", type=_words, default="", metavar="TEXT")
    back.add_argument("--sha256", type=_digest, metavar="HEX", help="end no other trial")
    back.add_argument(
        "--deadline", action="store_true", help="the timer's call: restart if need be"
    )
    return parser


def _digest(text: str) -> str:
    if not is_digest(text):
        raise argparse.ArgumentTypeError("not a SHA-256 in lower-case hexadecimal")
    return text


def _seconds(text: str) -> int:
    if not text.isascii() or not text.isdigit() or not MIN_TRIAL_S <= int(text) <= MAX_TRIAL_S:
        raise argparse.ArgumentTypeError(f"not a number from {MIN_TRIAL_S} to {MAX_TRIAL_S}")
    return int(text)


def _words(text: str) -> str:
    """Replace unprintable characters: other logins see this text on their terminals."""
    return "".join(c if c.isprintable() else "?" for c in text)[:MAX_TEXT_CHARS]
