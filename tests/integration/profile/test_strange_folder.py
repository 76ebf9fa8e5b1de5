# SPDX-License-Identifier: GPL-3.0-or-later
"""A boats' folder from somebody else: nothing that lies in it is run or configures a program."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from provision.errors import UserError
from provision.profile.secrets import vault
from provision.push.query import diff
from provision.verify import runner


def _program(file: Path) -> Path:
    """Write a password program that leaves a trace beside itself when it runs."""
    file.write_text(f"#!/bin/sh\ntouch {file.parent / 'ran'}\necho secret\n")
    file.chmod(0o700)
    return file


def test_a_password_program_in_the_folder_is_not_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(vault.PASSWORD_FILE_VARIABLE, raising=False)
    file = _program(tmp_path / vault.PASSWORD_FILE)
    with pytest.raises(UserError, match="not run") as caught:
        vault.read_password(tmp_path)
    assert not (tmp_path / "ran").exists()
    assert f"chmod 600 {file}" in caught.value.hint


def test_a_password_program_that_the_user_names_is_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(vault.PASSWORD_FILE_VARIABLE, raising=False)
    file = _program(tmp_path / "program")
    assert vault.read_password(tmp_path, file) == b"secret"
    monkeypatch.setenv(vault.PASSWORD_FILE_VARIABLE, str(file))
    assert vault.read_password(tmp_path) == b"secret"


@pytest.mark.parametrize("command", [runner.command, diff.command])
def test_a_module_of_the_current_folder_is_not_imported(tmp_path: Path, command: object) -> None:
    assert callable(command)
    (tmp_path / "json.py").write_text(f"open({str(tmp_path / 'ran')!r}, 'w').close()\n")
    done = subprocess.run(
        command(tmp_path / "no-job"), cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert not (tmp_path / "ran").exists()
    assert "usage: " in done.stderr or "no-job" in done.stderr


def test_ansible_s_configuration_in_the_current_folder_is_not_read(tmp_path: Path) -> None:
    """The command runs in a process of its own, since Ansible is imported once."""
    (tmp_path / "ansible.cfg").write_text("[defaults\n")
    (tmp_path / "named.cfg").write_text("[defaults\n")
    call = "from provision.profile.secrets import vault; print(vault.encrypt('a', b'b').decode())"
    for named in ({}, {"ANSIBLE_CONFIG": "named.cfg"}):
        done = subprocess.run(
            [sys.executable, "-P", "-c", call],
            env={**os.environ, **named},
            cwd=tmp_path,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.stdout.startswith("$ANSIBLE_VAULT"), done.stderr
