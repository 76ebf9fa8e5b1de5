# SPDX-License-Identifier: GPL-3.0-or-later
"""Replace secrets in files by numbers, so that a change of a secret still shows."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from fnmatch import fnmatchcase

#: Files that are a secret as a whole. The page's has the pass-phrase of the Wi-Fi drawn as a code.
SECRET_FILES = ("/etc/ssh/ssh_host_*_key", "/etc/boat/page.json")

#: A private key in PEM, also one whose beginning or end was lost.
_PEM = re.compile(
    r"-----BEGIN [A-Z ]*PRIVATE KEY-----.*?(?:-----END [A-Z ]*PRIVATE KEY-----|\Z)"
    r"|\A.*?-----END [A-Z ]*PRIVATE KEY-----",
    re.DOTALL,
)

#: A setting whose name says that its value is a secret.
_NAMED = re.compile(
    r"^(?P<name>[\s\"'#]*[\w.-]*(?:psk|pass_?phrase|password|passwd|secret|private_?key|sae|wep_key)"
    r"[\w.-]*[\"']?\s*[=:]\s*)(?P<value>\S.*)$",
    re.MULTILINE | re.IGNORECASE,
)

#: What may be a key in hexadecimal or base64.
_TOKEN = re.compile(r"[A-Za-z0-9+/_-]{32,}={0,2}")


@dataclass
class Redactor:
    """Replaces each secret by `<secret N>`. The same secret always has the same number.

    `known` are the values of secrets, which are replaced wherever they occur.
    """

    known: Iterable[str]
    numbers: dict[str, int] = field(default_factory=dict)

    def __call__(self, path: str, text: str, *, private: bool) -> str:
        """Redact the text of the file at `path`. Not every user may read a `private` file."""
        if any(fnmatchcase(path, pattern) for pattern in SECRET_FILES):
            return self._name(text) + "\n"
        for value in sorted(filter(None, self.known), key=len, reverse=True):
            if value in text:
                text = text.replace(value, self._name(value))
        text = _PEM.sub(lambda found: self._name(found[0]), text)
        if private or path.startswith("/etc/"):
            text = _NAMED.sub(lambda found: found["name"] + self._name(found["value"]), text)
        if private:
            text = _TOKEN.sub(lambda found: self._name(found[0]), text)
        return text

    def _name(self, value: str) -> str:
        if re.fullmatch(r"<secret \d+>", value):
            return value
        return f"<secret {self.numbers.setdefault(value, len(self.numbers) + 1)}>"
