# SPDX-License-Identifier: GPL-3.0-or-later
"""Values below keys are set; all else of a text stays as its author wrote it."""

from __future__ import annotations

import pytest

from provision.profile.yaml.edit import CannotEdit
from provision.profile.yaml.edit_mapping import put, rename, replace_scalar
from provision.profile.yaml.edit_rates import add_rates
from provision.profile.yaml.tree import Plain

BAUD = ("links", "gnss", "baud")
TALKS = ("links", "gnss", "talks")


@pytest.mark.parametrize(
    ("text", "changed"),
    [
        ("links: {gnss: {baud: 4800}}\n", "links: {gnss: {baud: 38400}}\n"),
        ("links:\r\n  gnss: {baud:  4800 ,x: 1} # c\r\n", None),
        ("links:\n  gnss:\n    baud: 4800   # of 1998\n    x: 1\n", None),
        ("links:\n  gnss:\n    baud: &b 4800\n", None),
        ("é: '4800'\nlinks:\n  gnss: { 'baud' : 4800, }", None),
        ("links:\n  gnss:\n    baud:\n      4800\n", None),
    ],
)
def test_a_value_is_replaced(text: str, changed: str | None) -> None:
    wanted = changed or "38400".join(text.rsplit("4800", 1))
    assert replace_scalar(text, BAUD, 38400) == put(text, BAUD, 38400) == wanted


@pytest.mark.parametrize(
    ("text", "changed"),
    [
        ("a: {serial: 'X'}", "a: {serial: 'KW-1'}"),
        ('a: {serial: "X"} # "X"', 'a: {serial: "KW-1"} # "X"'),
        ("a: {serial: X}", "a: {serial: KW-1}"),
    ],
)
def test_quotes_stay(text: str, changed: str) -> None:
    assert replace_scalar(text, ("a", "serial"), "KW-1") == changed
    assert replace_scalar("a: {serial: X}", ("a", "serial"), "0001") == 'a: {serial: "0001"}'


@pytest.mark.parametrize(
    ("text", "changed"),
    [
        ("links: {gnss: {x: 1}}\n", "links: {gnss: {x: 1, baud: 38400}}\n"),
        ("links: {gnss: {x: 1 , } }\n", "links: {gnss: {x: 1, baud: 38400 , } }\n"),
        ("links: {gnss: {}}\n", "links: {gnss: {baud: 38400}}\n"),
        (
            "links:\n  gnss: {\n    x: [1], # c\n  } # d\n",
            "links:\n  gnss: {\n    x: [1], baud: 38400, # c\n  } # d\n",
        ),
        (
            "links:\n  gnss:\n    x: 1 # c\n    # d\n  # e\n  wind: {}\n",
            "links:\n  gnss:\n    x: 1 # c\n    # d\n    baud: 38400\n  # e\n  wind: {}\n",
        ),
        (
            "links:\r\n  gnss:\r\n    x: 1\r\n",
            "links:\r\n  gnss:\r\n    x: 1\r\n    baud: 38400\r\n",
        ),
        ("links:\n gnss:\n  x: 1", "links:\n gnss:\n  x: 1\n  baud: 38400\n"),
        ("links: &l\n  gnss: &g\n    x: 1\n", "links: &l\n  gnss: &g\n    x: 1\n    baud: 38400\n"),
        (
            "links:\n  gnss:\n    x: |\n      a\n\nfeed: {}\n",
            "links:\n  gnss:\n    x: |\n      a\n\n    baud: 38400\nfeed: {}\n",
        ),
        (
            "links:\n  wind: {x: 1}\n\n# the feed\nfeed: {}\n",
            "links:\n  wind: {x: 1}\n  gnss: {baud: 38400}\n\n# the feed\nfeed: {}\n",
        ),
        (
            "links:\n  ais:   {x: 1}\n  wind:  {x: 1}\n",
            "links:\n  ais:   {x: 1}\n  wind:  {x: 1}\n  gnss:  {baud: 38400}\n",
        ),
        (
            "links:\n  wind:\n     x: 1\n",
            "links:\n  wind:\n     x: 1\n  gnss:\n     baud: 38400\n",
        ),
        ("x: 1\n# end", "x: 1\n# end\nlinks: {gnss: {baud: 38400}}\n"),
        ("x: >\n  a\n  b\n", "x: >\n  a\n  b\nlinks: {gnss: {baud: 38400}}\n"),
        ("---\nx: 1\n...\n", "---\nx: 1\nlinks: {gnss: {baud: 38400}}\n...\n"),
        ("? links\n: x: 1\n", "? links\n: x: 1\n  gnss: {baud: 38400}\n"),
        ("{x: 1}\n", "{x: 1, links: {gnss: {baud: 38400}}}\n"),
    ],
)
def test_a_value_is_added_where_there_is_none(text: str, changed: str | None) -> None:
    assert put(text, BAUD, 38400) == (changed or f"{text}    baud: 38400\r\n")


def test_a_comment_goes_before_what_is_added() -> None:
    text = "links:\n  wind: {x: 1}\n  # spare\nfeed: {}\n"
    value: Plain = {"adapter": {"port": "1-1.3"}, "talks": {"GSV": 3.5}}
    assert put(text, ("links", "gnss"), value, ["guessed", "so"]) == (
        "links:\n  wind: {x: 1}\n  # spare\n  # guessed\n  # so\n"
        '  gnss: {adapter: {port: "1-1.3"}, talks: {GSV: 3.5}}\nfeed: {}\n'
    )


def test_a_key_gets_another_name() -> None:
    text = "links: {gnss: {adapter: { serial : X} }} # serial\n"
    wanted = "links: {gnss: {adapter: { port : X} }} # serial\n"
    assert rename(text, ("links", "gnss", "adapter", "serial"), "port") == wanted


@pytest.mark.parametrize(
    ("text", "rates", "changed"),
    [
        ("[RMC, GGA]", {"VTG": 1.0}, "[RMC, GGA, VTG]"),
        ("[RMC, GGA ]", {"GSV": 3.0}, "{RMC: 1, GGA: 1, GSV: 3 }"),
        ("{RMC: 1 }", {"GSV": 0.25, "VTG": 1}, "{RMC: 1, GSV: 0.25, VTG: 1 }"),
        ("\n    - RMC # c\n", {"VTG": 1.0}, "\n    - RMC # c\n    - VTG\n"),
        (
            "\n    - RMC # c\n    - 'GGA'\n    # d\n",
            {"GSV": 3.0},
            "\n      RMC: 1 # c\n      'GGA': 1\n      GSV: 3\n    # d\n",
        ),
        ("\n      RMC: 1\n", {"GSV": 3.0}, "\n      RMC: 1\n      GSV: 3\n"),
    ],
)
def test_sentences_join_those_that_are_there(
    text: str, rates: dict[str, float], changed: str
) -> None:
    before = "links:\n  gnss:\n    talks: "
    assert add_rates(before + text, TALKS, rates).rstrip() == (before + changed).rstrip()


@pytest.mark.parametrize(
    "text",
    [
        "links: {gnss: {baud: !!int 4800}}\n",
        "links: {gnss: {baud: [4800]}}\n",
        "links: {gnss: 4800}\n",
        "links: {gnss: {baud: 4800}}\n---\nx: 1\n",
        "links: {gnss: {baud: 4800, baud: 4800}}\n",
        "links: [1]\n",
        "links: {gnss: {baud: 4800}",
        "links:\n  ? wind\n  : x: 1\n",
        "links: {? [a] : b}\n",
        "",
    ],
)
def test_a_form_that_is_not_known_is_left_alone(text: str) -> None:
    with pytest.raises(CannotEdit):
        put(text, BAUD, 38400)
