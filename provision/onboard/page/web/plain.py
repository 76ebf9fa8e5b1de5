# SPDX-License-Identifier: GPL-3.0-or-later
"""Write the view as one HTML page that needs no script."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from html import escape
from typing import Any

from provision.onboard.page.view.text import duration

View = Mapping[str, Any]

_HEAD = """\
<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{boat}, not for navigation</title>
<link rel="icon" href="/icon.svg">
<link rel="stylesheet" href="/page.css">
</head>
<body class="plain">
<main>
"""


_LEGEND = (
    "Now is at the right. Where there is no line, the computer was off. A bar of an instrument: it "
    "was not heard."
)


def make_plain(view: View) -> str:
    """Return the page. It stands still: a link asks for the next one."""
    parts = [_HEAD.format(boat=escape(view["boat"])), *_body(view), "</main>\n</body>\n</html>\n"]
    return "".join(parts)


def _body(view: View) -> Iterator[str]:
    yield f"<h1>{_name(view['boat'])}</h1>\n"
    yield f"<p><strong>{escape(view['caution'])}</strong></p>\n"
    yield "<p>This page stands still. <a href='/plain'>Ask the boat again</a>.</p>\n"
    yield f"<h2>{escape(view['verdict']['text'])}</h2>\n"
    if not view["live"]:
        yield f"<p>{escape(view['verdict']['action'])}</p>\n"
    yield from _list("", map(_issue, view["issues"]))
    steering = view["steering"]
    yield f"<p>{escape(steering['text'])} {escape(steering['rule'])}</p>\n"
    yield from _list("Last heard", map(_value, view["values"]))
    yield from _list("Instruments", map(_link, view["links"]))
    yield from _list("Tablets", (f"{_name(t['name'])}: {_reads(t)}" for t in view["tablets"]))
    lines = (f"{escape(one['name'])}: {escape(one['text'])}" for one in view["computer"])
    yield from _list("The computer", lines)
    if charts := view["charts"]:
        lines = (f"Left out: {_name(line)}" for line in charts["left_out"])
        yield from _list("Charts", [escape(charts["text"]), *lines, _fetch(charts["address"])])
    yield from _list("Connect", _connect(view["connect"]))
    yield from _history(view["history"])


def _list(title: str, items: Iterable[str]) -> Iterator[str]:
    rows = list(items)
    if rows:
        if title:
            yield f"<h2>{title}</h2>\n"
        yield "<ul>\n" + "".join(f"<li>{row}</li>\n" for row in rows) + "</ul>\n"


def _name(text: str) -> str:
    return f"<bdi>{escape(text)}</bdi>"


def _issue(issue: View) -> str:
    return f"{escape(issue['text'])} {escape(issue['action'])}{_ago(issue['since'])}"


def _ago(seconds: float | None) -> str:
    return "" if seconds is None else f" Last heard {duration(seconds)} ago."


def _value(value: View) -> str:
    name = f"{escape(value['name'])}: "
    source = f", from {_name(value['source'])}"
    text = f"{escape(' '.join(value['text']))} {escape(value['unit'])}".strip()
    if value["state"] == "never":
        return f"{name}not heard{source}"
    if value["state"] == "void":
        return f"{name}no valid data{source}, {duration(value['age'])} ago"
    if value["state"] == "old":
        return f"{name}no value; {text} was heard {duration(value['age'])} ago{source}"
    late = "late, " if value["state"] == "late" else ""
    return f"{name}<strong>{text}</strong>{source}, {late}{duration(value['age'])} ago"


def _link(link: View) -> str:
    rates = ", ".join(_rate(rate) for rate in link["rates"])
    heard = "" if link["last_heard"] is None else f", last {duration(link['last_heard'])} ago"
    detail = f": {escape(rates)} a second" if rates else ""
    return f"{_name(link['name'])} {link['status']}{heard}{detail}; {escape(link['plug'])}"


def _rate(rate: View) -> str:
    wanted = "" if rate["wanted"] is None else f" of {rate['wanted']:g}"
    return f"{rate['formatter']} {round(rate['heard'], 1):g}{wanted}"


def _reads(tablet: View) -> str:
    count = tablet["connections"]
    if not count:
        return "reads nothing"
    return f"reads the feed by {count} connection{'s' if count > 1 else ''}"


def _fetch(address: str) -> str:
    return f'<a href="{escape(address)}">Fetch charts from the boat</a>'


def _history(history: View) -> Iterator[str]:
    yield f"<h2>What the boat remembers</h2>\n<p>{_LEGEND} {escape(history['text'])}</p>\n"
    concerns = (f"{escape(one['text'])} {escape(one['action'])}" for one in history["concerns"])
    yield from _list("", concerns)
    for period in history["periods"]:
        yield from _list(escape(period["name"]), (_plot(one, period) for one in period["plots"]))


def _plot(plot: View, period: View) -> str:
    paths = f'<path class="on" d="{plot["on"]}"/><path d="{plot["drawn"]}"/>'
    box = f'viewBox="0 0 {period["bins"]} 20" preserveAspectRatio="none"'
    drawn = f'<svg class="plot" aria-hidden="true" {box}>{paths}</svg>'
    return f"{_name(plot['name'])}: {escape(plot['text'])}{drawn}"


def _connect(connect: View) -> Iterator[str]:
    yield f"Wi-Fi: {_name(connect['ssid'])}"
    if connect["pass_phrase"]:
        yield f"Pass-phrase: <code>{escape(connect['pass_phrase'])}</code>"
    yield f"Feed: TCP, {connect['address']}, port {connect['port']}"
    yield f"This page: {escape(connect['page'])}"
