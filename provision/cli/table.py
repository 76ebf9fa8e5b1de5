# SPDX-License-Identifier: GPL-3.0-or-later
"""Name all commands, so that `provision --help` need not read their modules."""

from __future__ import annotations

#: Each command's module below `provision.cli`, and the first line of its help. In the order from a
#: new folder to a boat at sea, and then what few need.
COMMANDS = {
    "init": ("init", "Start a folder of boats with your own boat."),
    "keys": ("keys", "Make boats' secrets: Wi-Fi pass-phrases and SSH keys."),
    "survey": ("survey.command", "Listen on serial adapters: baud rates, sentences, instruments."),
    "check": ("profiles", "Find mistakes in boats' files, before a card is built."),
    "bench": ("bench", "Try a boat on this computer, without any hardware."),
    "card": ("cards", "Build boats' cards as image files."),
    "write": ("write", "Write an image to a card, and read every block back."),
    "sheet": ("paper", "Make boats' sheets for the chart table, to print."),
    "labels": ("paper", "Make labels for boats' adapters, and flags for their cables."),
    "verify": ("boats.verify", "Prove that running boats are what their files say."),
    "push": ("boats.push", "Change running boats: on trial first, then for good."),
    "fleet": ("boats.fleet", "Ask how boats are: reachable, healthy, up to date."),
    "backup": ("boats.backup", "Copy what boats alone have: voyage logs, settings, history."),
    "log": ("log", "List the days of a boat's voyage log, and export one."),
    "ready": ("ready", "Tell if boats' cards could be made again now, without a network."),
    "kit": ("kit", "Make a kit, to make cards from on a laptop without a network."),
    "replay": ("replay", "Play a voyage log back, on a held bench or here."),
    "render": ("profiles", "Write all files that a boat will carry, to look at."),
    "schema": ("profiles", "Print the JSON Schema of boats' files, for an editor."),
    "inventory": ("boats.inventory", "Print the inventory for plain ansible-playbook."),
}
