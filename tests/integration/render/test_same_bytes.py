# SPDX-License-Identifier: GPL-3.0-or-later
"""Settings come out the same, byte for byte, on another laptop."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from tests.support.render_rig import SECRETS, Render, profile

AGAIN = """
import json
import sys
from pathlib import Path
from provision.profile.load import Boat
from provision.profile.schema.boat import Profile
from provision.profile.secrets.store import Secrets
from provision.render import render
profile = Profile.model_validate(json.loads(sys.stdin.readline()))
secrets = Secrets.model_validate_json(sys.stdin.readline())
print(render(Boat(profile, Path("elsewhere.yml"), {}), secrets).sha256)
"""


def test_the_same_bytes_in_another_process_zone_umask_and_folder(
    rendered: Render, tmp_path: Path
) -> None:
    given = [profile().model_dump_json(exclude={"card"}), SECRETS.model_dump_json()]
    done = subprocess.run(
        [sys.executable, "-c", AGAIN],
        input="\n".join(given) + "\n",
        env={
            "PYTHONPATH": os.pathsep.join([str(Path(__file__).parents[3]), *sys.path]),
            "PYTHONHASHSEED": "7",
            "TZ": "Pacific/Chatham",
            "LC_ALL": "C",
        },
        cwd=tmp_path,
        umask=0o077,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == rendered().sha256
