# SPDX-License-Identifier: GPL-3.0-or-later
"""Write for sailors what sentences carry."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator

from provision.onboard.feed.nmea0183.kinds import KIND_OF
from provision.onboard.feed.nmea0183.sentence import STEERS

#: Kinds of data whose name does not say enough.
_PLAIN = {"temperature": "sea temperature"}

#: Sentences beside those kinds (IEC 61162-1). XDR carries whatever a transducer measures.
_OTHERS = {"VDM": "other ships", "VDO": "own ship", "XDR": "transducers"}


def describe_data(says: Collection[str], is_sent: Collection[str] = ()) -> tuple[str, ...]:
    """Name the data of sentences, each once. A sentence that no table knows is left out.

    >>> describe_data(["HDG", "ROT"], ["APB", "XTE"])
    ('heading', 'is steered')
    """
    words = dict.fromkeys(_describe_each(says))
    if STEERS.intersection(says):
        words["steering"] = None
    if STEERS.intersection(is_sent):
        words["is steered"] = None
    return tuple(words)


def _describe_each(formatters: Iterable[str]) -> Iterator[str]:
    for formatter in formatters:
        if kind := KIND_OF.get(formatter):
            yield _PLAIN.get(kind, kind)
        elif formatter in _OTHERS:
            yield _OTHERS[formatter]


def join(names: Iterable[str], last: str = "and") -> str:
    """Join names as in a sentence.

    >>> join(["gnss", "wind", "log"], "or")
    'gnss, wind or log'
    """
    *some, end = names
    return f"{', '.join(some)} {last} {end}" if some else end
