# SPDX-License-Identifier: GPL-3.0-or-later
"""Write the profile of a boat that has none from a survey: `survey --new`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from provision.cli.opening import read_neighbours
from provision.cli.questions import ask_board, ask_country
from provision.cli.survey.outcome import Outcome, format_found, is_ok
from provision.errors import Location, UserError
from provision.paths import argument

if TYPE_CHECKING:
    from provision.survey.draft.club import Club
    from provision.survey.draft.heard import Heard
    from provision.survey.draft.new import NewProfile


class NewTask:
    """Write the profile of a boat that has none."""

    def __init__(self, name: str, boats: Path, board: str | None, country: str | None) -> None:
        """Find out what no survey hears. Raise UserError when the boat has a file already."""
        from provision.survey.draft.club import read_club

        self.file = _new_file(name, boats)
        neighbours = read_neighbours({self.file.parent})
        self.club: Club = read_club(self.file, neighbours)
        self.board = ask_board(board)
        self.country = _country(country, self.club)

    def finish(self, heard: Heard) -> Outcome:
        """Write the profile, and say what `check` finds in it."""
        from datetime import date

        from provision.profile.scaffold import prepare_folder
        from provision.profile.secrets import private_file
        from provision.profile.secrets.rewrite import give
        from provision.survey.draft.new import new_profile
        from provision.survey.draft.text import Choices

        choices = Choices(self.board, self.country, date.today().isoformat())
        made = new_profile(self.file, heard, self.club, choices)
        prepared = prepare_folder(self.file.parent)
        private_file.write(self.file, made.text.encode(), mode=0o644)
        # A port may want root, and a file of the folder belongs to the folder's owner.
        give(self.file, self.file.parent.stat())
        lines = [f"{self.file}: {_counted(made)}"]
        lines += [f"{device}: there is no link for it: see above" for device in made.unnamed]
        if prepared:
            lines.append(
                "keep a copy of .vault-password elsewhere: without it the boat's secrets are lost"
            )
        lines += format_found(made.findings, self.file.stem)
        lines.append(f"next: provision keys {argument(self.file)}")
        result = {
            "file": str(self.file),
            "links": [link.name for link in made.drafts if link.heard],
            "unknown": [link.name for link in made.drafts if not link.heard],
            "findings": [finding.as_json() for finding in made.findings],
        }
        return Outcome(lines, result, ok=is_ok(made.findings))


def _new_file(name: str, boats: Path) -> Path:
    from provision.profile.first_boat import check_name

    is_path = "/" in name or name.endswith(".yml")
    file = Path(name) if is_path else boats / f"{name}.yml"
    if file.suffix != ".yml":
        raise UserError(
            "is no name for a boat's file", location=Location(file), hint="end it in .yml"
        )
    check_name(file.stem)
    if file.is_symlink() or file.exists():
        raise UserError(
            "is there already and stays as it is",
            location=Location(file),
            hint=f"provision survey --into {argument(file)} corrects its links",
        )
    return file


def _country(country: str | None, club: Club) -> str:
    """Return the country to write. Empty where the club's file has it and none is given."""
    if country is None and club.says("network", "access_point", "country"):
        return ""
    return ask_country(country)


def _counted(made: NewProfile) -> str:
    heard = [link.name for link in made.drafts if link.heard]
    unknown = len(made.drafts) - len(heard)
    more = f"; {unknown} not known, written as comments" if unknown else ""
    return f"links {', '.join(heard)}{more}"
