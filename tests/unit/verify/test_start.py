# SPDX-License-Identifier: GPL-3.0-or-later
"""Share compiled files among the proofs of one roll-out, in a private folder only."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from provision.verify.start import COMPILED

MODULE = """
import sys
from pathlib import Path
from provision.verify.start import share_compiled_files
sys.dont_write_bytecode = True
share_compiled_files(Path(sys.argv[1]))
sys.path.insert(0, sys.argv[2])
import proof
"""


@pytest.mark.parametrize(("mode", "shared"), [(0o700, True), (0o750, False), (0o777, False)])
def test_compiled_files_are_shared_in_a_private_folder_alone(
    tmp_path: Path, mode: int, shared: bool
) -> None:
    workspace, suite = tmp_path / "workspace", tmp_path / "suite"
    (workspace / "tern").mkdir(parents=True)
    suite.mkdir()
    (suite / "proof.py").write_text("A = 1\n")
    workspace.chmod(mode)
    subprocess.run(
        [sys.executable, "-P", "-c", MODULE, str(workspace / "tern" / "job.json"), str(suite)],
        check=True,
    )
    compiled = [file.name for file in (workspace / COMPILED).rglob("proof.*.pyc")]
    assert bool(compiled) is shared
    assert [file.name for file in suite.iterdir()] == ["proof.py"]
