# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the settings of one boat from its profile and the templates.

A template's path below templates/ is the path of its file aboard. A template that prints nothing
but blanks makes no file. So a file can depend on the profile.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

import provision
from provision import paths
from provision.errors import Location, UserError
from provision.profile.load import Boat
from provision.profile.secrets.store import Secrets
from provision.render.archive import BASE_FORMAT, Entry, File, Settings, Symlink, build_settings
from provision.render.code import list_charts_code, list_feed_code, list_page_code
from provision.render.context import Context, build_context
from provision.render.escape import FILTERS, only_escaped
from provision.render.reload import list_reloads
from provision.render.units import unit_links

#: Permission bits other than 0644: for secrets and for programs.
FILE_MODES = {
    "/etc/hostapd/boat.conf": 0o600,
    "/etc/hostapd/boat.psk": 0o600,
    "/etc/ssh/ssh_host_ed25519_key": 0o600,
    # It may hold the pass-phrase of the Wi-Fi.
    "/etc/boat/page.json": 0o600,
    "/usr/bin/boat-charts": 0o755,
    "/usr/bin/boat-feed": 0o755,
    "/usr/bin/boat-page": 0o755,
    "/usr/bin/boat-stations": 0o755,
    "/usr/bin/boat-watch": 0o755,
}

#: The random seed outlives a power cycle, and no image carries one.
RANDOM_SEED_LINK = ("/var/lib/systemd/random-seed", "/data/state/random-seed")


def render(boat: Boat, secrets: Secrets) -> Settings:
    """Render all files of a boat.

    The same profile, secrets and version give the same bytes. Raise UserError if tablets or keys
    that the profile names are missing, or if a value cannot be written into its file.
    """
    known = build_context(boat, secrets)
    files: dict[str, Entry] = dict(_render_templates(known))
    code = list_feed_code() | (list_page_code() if known.page else {})
    code |= list_charts_code() if known.charts else {}
    files |= {path: File(source.read_bytes()) for path, source in code.items()}
    files |= unit_links(
        known.uplink,
        own_pass_phrases=bool(known.own_psks),
        page=known.page is not None,
        charts=known.charts is not None,
    )
    files[RANDOM_SEED_LINK[0]] = Symlink(RANDOM_SEED_LINK[1])
    return build_settings(
        files,
        {
            "boat": boat.name,
            "board": boat.profile.board,
            "base": BASE_FORMAT,
            "version": provision.__version__,
            "profile": boat.digest(),
            "reload": list_reloads(page=known.page is not None, charts=known.charts is not None),
        },
    )


@cache
def _make_environment() -> Environment:
    """Return the templates' environment.

    Nothing is escaped as if it were HTML. Instead `finalize` refuses every value that has
    not been through a filter of its file's format.
    """
    environment = Environment(
        loader=FileSystemLoader(paths.shipped("templates")),
        undefined=StrictUndefined,
        finalize=only_escaped,
        autoescape=False,  # noqa: S701
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters.update(FILTERS)
    return environment


def _render_templates(known: Context) -> Iterator[tuple[str, Entry]]:
    environment = _make_environment()
    for name in sorted(environment.list_templates()):
        text = environment.get_template(name).render(vars(known))
        if text.strip():
            path = f"/{name}"
            yield path, File(text.encode(), FILE_MODES.get(path, 0o644))


def write(settings: Settings, folder: Path) -> None:
    """Write settings.tar, settings.sha256 (for `sha256sum -c`) and the files under tree/.

    `folder` is made if it is missing. What an earlier call left in it is replaced. Only the owner
    can read what holds a secret.

    Raise UserError if it cannot be written, or if it has a tree/ that no earlier call left.
    """
    try:
        _write_files(settings, folder)
    except OSError as error:
        raise UserError(
            f"cannot be written: {error.strerror}",
            location=Location(Path(error.filename or folder)),
            hint="name a folder where you may write, on a disk with room",
        ) from error


def _write_files(settings: Settings, folder: Path) -> None:
    tree, digest, archive = (folder / name for name in ("tree", "settings.sha256", "settings.tar"))
    if not _is_digest_file(digest):
        for path in (digest, archive, tree):
            if path.exists() or path.is_symlink():
                raise UserError(
                    "is there already, and may be a file of yours",
                    location=Location(path),
                    hint="name a folder that is new",
                )
    folder.mkdir(parents=True, exist_ok=True)
    _write_private(archive, settings.archive)
    _write_private(digest, f"{settings.sha256}  settings.tar\n".encode())
    if tree.is_dir() and not tree.is_symlink():
        shutil.rmtree(tree)
    else:
        tree.unlink(missing_ok=True)
    for name, entry in settings.files.items():
        target = tree / name.lstrip("/")
        target.parent.mkdir(parents=True, exist_ok=True)
        if isinstance(entry, Symlink):
            target.symlink_to(entry.target)
        else:
            _write_private(target, entry.content)
            target.chmod(entry.mode)


def _is_digest_file(digest: Path) -> bool:
    """Tell if an earlier call wrote this file, and so the files beside it."""
    if digest.is_symlink() or not digest.is_file():
        return False
    with digest.open("rb") as file:
        return re.fullmatch(rb"[0-9a-f]{64}  settings\.tar\n", file.read(128)) is not None


def _write_private(path: Path, content: bytes) -> None:
    """Write a file that only its owner may read from the first moment."""
    path.unlink(missing_ok=True)
    with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
        stream.write(content)
