# SPDX-License-Identifier: GPL-3.0-or-later
"""Correct the links of a profile's text by what was heard on their ports."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from provision.checks.links.baud import load_share
from provision.onboard.feed.nmea0183.sentence import MAX_SENTENCE_CHARS
from provision.profile.load import Boat
from provision.profile.schema.links import AdapterConfig, LinkConfig
from provision.profile.yaml.edit import CannotEdit
from provision.profile.yaml.edit_mapping import has, put, rename
from provision.profile.yaml.edit_rates import add_rates
from provision.profile.yaml.render import flow
from provision.profile.yaml.shape import Keys
from provision.profile.yaml.tree import Plain
from provision.survey.adapters import Adapter
from provision.survey.draft.heard import Heard
from provision.survey.draft.identity import identify
from provision.survey.draft.rates import rates_of
from provision.survey.report import PortReport

Edit = Callable[[str], str]


@dataclass
class Draft:
    """Hold the text of a profile while it is changed, and what is said of it."""

    boat: Boat
    text: str
    changes: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)
    """What was not changed, and why."""

    def apply(self, change: str, edit: Edit, by_hand: str) -> None:
        """Change the text. Where its form is only its author's to change, say what to write."""
        try:
            self.text = edit(self.text)
        except CannotEdit:
            self.left.append(f"{by_hand} is left to you: its place is in a form of your own")
        else:
            self.changes.append(change)

    def put(self, change: str, keys: Keys, value: Plain, comment: Sequence[str] = ()) -> None:
        """Set a value of the boat's own file, over what an included file says."""
        by_hand = f"{'.'.join(keys)}: {flow(value)}"
        self.apply(change, lambda text: put(text, keys, value, comment), by_hand)


def correct_baud(draft: Draft, name: str, link: LinkConfig, report: PortReport) -> None:
    """Set the baud rate at which sentences came."""
    if report.baud and report.sentences and report.baud != link.baud:
        change = f"{name}: {report.baud} baud, where the profile has {link.baud}"
        draft.put(change, ("links", name, "baud"), report.baud)


def allow_long(draft: Draft, name: str, link: LinkConfig, report: PortReport) -> None:
    """Let a link take sentences that are longer than the standard has them."""
    if report.long and not link.long:
        change = f"{name}: takes sentences of more than {MAX_SENTENCE_CHARS} characters"
        draft.put(change, ("links", name, "long"), value=True)


def correct_talks(draft: Draft, name: str, link: LinkConfig, report: PortReport) -> None:
    """Add sentences that came and that the profile does not name. Leave the others' rates."""
    heard = {f: rate for f, rate in rates_of(report.sentences).items() if f not in link.talks}
    if echoed := [formatter for formatter in heard if formatter in link.listens]:
        draft.left.append(
            f"{name}: {', '.join(echoed)} came, which it listens for: it may send back what it gets"
        )
    new = {f: rate for f, rate in heard.items() if f not in link.listens}
    if not new:
        return
    baud = report.baud or link.baud
    if load_share({**link.talks, **new}, baud) > 1:
        draft.left.append(
            f"{name}: {', '.join(new)} came, too, and by its rates the profile has no room for "
            f"them at {baud} baud: write the rates that you see"
        )
        return
    keys = ("links", name, "talks")
    draft.apply(
        f"{name}: talks {', '.join(new)}, too",
        lambda text: _add_rates(text, keys, draft.boat, link, new),
        f"{'.'.join(keys)}: {flow({**link.talks, **new})}",
    )


def _add_rates(text: str, keys: Keys, boat: Boat, link: LinkConfig, new: dict[str, float]) -> str:
    if has(text, keys) and link.talks:
        return add_rates(text, keys, new)
    # An included file's mapping is joined with the boat's own, and a list is replaced by it.
    is_list = f"{'.'.join(keys)}[0]" in boat.locations
    rates: Plain = {**link.talks, **new} if is_list else {**new}
    if all(rate == 1 for rate in new.values()) and not link.talks:
        rates = [*new]
    return put(text, keys, rates)


def correct_adapter(
    draft: Draft, name: str, config: AdapterConfig, adapter: Adapter, known: Sequence[Adapter]
) -> None:
    """Name the adapter that the link's instrument is behind now."""
    wanted = identify(adapter, known)
    draft.apply(
        f"{name}: its adapter is {_words(wanted)}, where the profile has {config}",
        lambda text: _rename_adapter(text, ("links", name, "adapter"), config, adapter, wanted),
        f"links.{name}.adapter: {flow(wanted)}",
    )


def _rename_adapter(
    text: str, keys: Keys, config: AdapterConfig, adapter: Adapter, wanted: dict[str, Plain]
) -> str:
    old = "serial" if config.serial is not None else "port"
    new = "serial" if "serial" in wanted else "port"
    if new != old:
        if has(text, (*keys, old)):
            text = rename(text, (*keys, old), new)
        else:
            text = put(text, (*keys, old), None)
    text = put(text, (*keys, new), wanted[new])
    interface = wanted.get("interface")
    if config.interface is not None and interface is None:
        # The key stays, and names the only port of the new chip.
        interface = adapter.interface or 0
    if interface != config.interface:
        text = put(text, (*keys, "interface"), interface)
    return text


def tell_apart(
    draft: Draft, name: str, config: AdapterConfig, adapter: Adapter, heard: Heard
) -> None:
    """Name an adapter by its socket where its serial number is another adapter's, too.

    And name the interface of a chip with several ports, where the profile names none.
    """
    if config.serial is None or "serial" in identify(adapter, heard.known):
        _add_interface(draft, name, config, adapter, heard.known)
    elif heard.aboard:
        correct_adapter(draft, name, config, adapter, heard.known)
    else:
        draft.left.append(
            f"{name}: another adapter has {config}, too: label the socket, and name it by the "
            "port that the boat's computer gives it"
        )


def _add_interface(
    draft: Draft, name: str, config: AdapterConfig, adapter: Adapter, known: Sequence[Adapter]
) -> None:
    interface = identify(adapter, known).get("interface")
    if config.interface is None and interface is not None:
        change = f"{name}: it is at interface {interface} of a chip with several ports"
        draft.put(change, ("links", name, "adapter", "interface"), interface)


def _words(identity: dict[str, Plain]) -> str:
    return " ".join(f"{key} {value}" for key, value in identity.items())
