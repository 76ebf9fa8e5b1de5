# SPDX-License-Identifier: GPL-3.0-or-later
"""schema, keys, check and render: for people and as JSON, and what they refuse."""

from __future__ import annotations

import os
from pathlib import Path

import jsonschema

from tests.support.command import Call
from tests.support.profiles import change


def test_the_schema_is_json_either_way(call: Call) -> None:
    one, two = call("schema"), call("schema", "--json")
    assert one == two
    jsonschema.Draft202012Validator.check_schema(one.result)


def test_keys_for_boats_only(call: Call, boats: Path) -> None:
    said = call("keys", "club", "--boats", boats, "--json")
    assert said.status == 2
    (error,) = said.result["errors"]
    assert error["file"] == str(boats / "club.yml")
    assert error["hint"]
    assert not (boats / "club.secrets.yml").exists()


def test_keys_and_render_as_json(call: Call, boats: Path, tmp_path: Path) -> None:
    made = call("keys", "dunlin", "--boats", boats, "--json").result
    assert made == {
        "secrets": str(boats / "dunlin.secrets.yml"),
        "made": ["pass_phrase", "host_key", "operator"],
    }
    rendered = call("render", "dunlin", "--boats", boats, "-o", tmp_path / "out", "--json").result
    assert rendered["folder"] == str(tmp_path / "out")
    assert all(
        (tmp_path / "out/tree" / name.lstrip("/")).is_symlink()
        or (tmp_path / "out/tree" / name.lstrip("/")).is_file()
        for name in rendered["files"]
    )
    again = call("render", "dunlin", "--boats", boats, "-o", tmp_path / "again", "--json").result
    assert again["sha256"] == rendered["sha256"]


def test_render_leaves_no_secrets_beside_the_profiles(
    call: Call, boats: Path, tmp_path: Path
) -> None:
    """No folder of boats takes them: not that folder, one below it, another, or by a link."""
    call("keys", "dunlin", "--boats", boats)
    other, link = tmp_path / "other", tmp_path / "link"
    call("init", "--example", other)
    link.symlink_to(boats)
    before = sorted(boats.rglob("*"))
    for out in (boats, boats / "out", other, link, link / "out"):
        said = call("render", "dunlin", "--boats", boats, "-o", out, "--json")
        assert said.status == 2
        assert "in the clear" in said.result["errors"][0]["message"]
    assert sorted(boats.rglob("*")) == before
    assert not (other / "tree").exists()


def test_check_finds_nothing_or_something(call: Call, boats: Path) -> None:
    names = ("dunlin", "kittiwake", "turnstone", "--boats", boats)
    assert call("check", *names).out == "no mistake found in 3 boats\n"
    assert call("check", "dunlin", "--boats", boats).out == "no mistake found in dunlin\n"
    assert call("check", "--all", "--boats", boats).out == "no mistake found in 3 boats\n"
    assert call("check", *names, "--json").result == {"findings": []}
    file = boats / "dunlin.yml"
    file.write_text(file.read_text().replace("channel: 1}", "channel: 15}"))
    for_people, as_json = call("check", *names), call("check", *names, "--json")
    assert (for_people.status, as_json.status) == (1, 1)
    (finding,) = as_json.result["findings"]
    assert (finding["file"], finding["line"]) == (str(file), 7)
    assert f"{file}:7:" in for_people.out and finding["hint"] in for_people.out
    assert for_people.out.splitlines()[-1] == "1 error found in 3 boats"


def test_check_of_a_file_that_boats_include(call: Call, boats: Path) -> None:
    """The file is not taken for a boat with five keys missing."""
    (error,) = call("check", "club", "--boats", boats, "--json").result["errors"]
    assert error["message"].startswith("is about no boat, and is included by dunlin.yml, ")
    assert "such as dunlin" in error["hint"]


def test_check_of_an_include_that_is_not_there(call: Call, boats: Path) -> None:
    """The keys that it would bring are not called missing."""
    change(boats / "kittiwake.yml", ("club.yml", "klub.yml"))
    (error,) = call("check", "kittiwake", "--boats", boats, "--json").result["errors"]
    assert error["message"].startswith("there is no file")
    assert error["hint"] == "did you mean club.yml?"


def test_check_of_an_include_that_is_no_yaml(call: Call, boats: Path) -> None:
    (boats / "club.yml").write_text("network: [\n")
    (error,) = call("check", "kittiwake", "--boats", boats, "--json").result["errors"]
    assert Path(error["file"]).name == "club.yml"


def test_check_of_what_is_no_boats_file(call: Call, boats: Path) -> None:
    for name, message, hint in (
        (f"{boats}/", "is a folder", "--all --boats"),
        ("/dev/null", "is no plain file", "a boat's file"),
        ("", "is empty", "name a boat"),
    ):
        (error,) = call("check", name, "--boats", boats, "--json").result["errors"]
        assert message in error["message"] and hint in error["hint"]


def test_a_hint_does_not_speak_of_memory(call: Call, boats: Path) -> None:
    """The code names a value's source, and the hint does not."""
    file = boats / "dunlin.yml"
    file.write_text(f"{file.read_text()}feed: {{tcp: 700}}\n")
    (finding,) = call("check", "dunlin", "--boats", boats, "--json").result["findings"]
    assert "10110 is the port of nmea-0183" in finding["hint"]
    assert "memory" not in finding["hint"]


def test_keys_says_which_file_holds_what(call: Call, boats: Path) -> None:
    """The command says, too, that boats are lost without copies of two files."""
    said = call("keys", "dunlin", "--boats", boats)
    assert said.out.splitlines() == [
        f"{boats / 'dunlin.secrets.yml'}: made pass_phrase, host_key",
        f"{boats / 'operator'}: made, the SSH key that logs in to the boats",
    ]
    assert "keep a copy elsewhere of" in said.err
    assert str(boats / ".vault-password") in said.err and str(boats / "operator") in said.err
    said = call("keys", "kittiwake", "--boats", boats)
    assert "operator" not in said.out and "copy" not in said.err


def test_check_shows_all_sums_when_it_is_asked_to(call: Call, boats: Path) -> None:
    said = call("check", "--all", "--boats", boats, "--figures")
    assert said.status == 0
    lines = said.out.splitlines()
    assert [line for line in lines if not line.startswith(" ")] == [
        *("dunlin:", "kittiwake:", "turnstone:"),
        "no mistake found in 3 boats",
    ]
    as_json = call("check", "dunlin", "--boats", boats, "--figures", "--json").result
    assert as_json["findings"] == []
    (load,) = [one for one in as_json["figures"] if one["subject"] == "link-load.wind"]
    assert (load["boat"], load["limit"], load["bound"]) == ("dunlin", 480, "most")
    assert load["verdict"] == "fine"
    assert "figures" not in call("check", "dunlin", "--boats", boats, "--json").result


def test_electrical_sums_come_with_a_caution(call: Call, boats: Path) -> None:
    asked = ("check", "dunlin", "--boats", boats, "--figures")
    assert "caution" not in call(*asked).out
    assert "caution" not in call(*asked, "--json").result
    with (boats / "dunlin.yml").open("a") as file:
        file.write("supply: {volts: 12, converter: {efficiency: 0.88}}\n")
    said = call(*asked)
    assert said.status == 0
    assert said.out.splitlines()[-2].startswith("caution: ")
    for who in ("local codes", "ABYC E-11", "ISO 13297", "licensed"):
        assert who in said.out.splitlines()[-2]
    assert "ABYC E-11" in call(*asked, "--json").result["caution"]
    without = ("check", "dunlin", "--boats", boats)
    assert "caution" not in call(*without).out
    change(boats / "dunlin.yml", ("efficiency: 0.88}", "efficiency: 0.88, amps: 0.1}"))
    assert "caution: " in call(*without).out
    assert "ABYC E-11" in call(*without, "--json").result["caution"]


def test_check_tells_what_is_wrong_with_all_that_are_asked_for(call: Call, boats: Path) -> None:
    for name in ("dunlin", "turnstone"):
        file = boats / f"{name}.yml"
        file.write_text(file.read_text().replace("board:", "bord:"))
    said = call("check", "dunlin", "kittiwake", "turnstone", "--boats", boats, "--json")
    assert said.status == 2
    assert [Path(error["file"]).stem for error in said.result["errors"]] == ["dunlin", "turnstone"]


def test_a_boat_that_cannot_be_read_hides_no_finding(call: Call, boats: Path) -> None:
    change(boats / "dunlin.yml", ("board:", "bord:"))
    change(boats / "turnstone.yml", ("channel: 11}", "channel: 15}"))
    as_json = call("check", "--all", "--boats", boats, "--json")
    assert as_json.status == 2
    assert [Path(one["file"]).stem for one in as_json.result["errors"]] == ["dunlin"]
    assert [Path(one["file"]).stem for one in as_json.result["findings"]] == ["turnstone"]
    said = call("check", "--all", "--boats", boats)
    assert "dunlin.yml" in said.err and "turnstone.yml" in said.out
    assert said.out.splitlines()[-1] == ("1 error found in 2 boats; 1 more not checked, see above")
    alone = call("check", "dunlin", "--boats", boats)
    assert (alone.status, alone.out) == (2, "1 not checked, see above\n")


def test_findings_of_one_kind_stand_together_and_the_worst_first(call: Call, boats: Path) -> None:
    """A hint that they share stands once."""
    change(boats / "dunlin.yml", ("[RMC, GGA, VTG]", "[RMC, RCM, VTG]"))
    change(boats / "dunlin.yml", ("{MWV: 2}", "{MWV: 15}"))
    change(boats / "turnstone.yml", ("{DPT: 2, VHW: 1", "{DPT: 12, VHW: 12"))
    change(boats / "turnstone.yml", ("{MWV: 2}", "{MWV: 30, RCM: 1}"))
    found = call("check", "--all", "--boats", boats, "--json").result["findings"]
    told = [(one["level"], one["check"], Path(one["file"]).stem) for one in found]
    assert told == [
        ("error", "link-load.wind", "turnstone"),
        ("error", "link-load.depth-log", "turnstone"),
        ("warning", "link-load.wind", "dunlin"),
        ("warning", "unknown-sentence.RCM", "dunlin"),
        ("warning", "unknown-sentence.RCM", "turnstone"),
    ]
    lines = call("check", "--all", "--boats", boats).out.splitlines()
    assert [line.startswith("  hint:") for line in lines] == [
        *(False, False, True),
        *(False, True),
        *(False, False, True),
        False,
    ]
    assert lines[-1] == "2 errors and 3 warnings found in 3 boats"


def test_a_finding_in_an_included_file_names_the_boat(call: Call, boats: Path) -> None:
    change(boats / "club.yml", ("channel: 6", "channel: 15"))
    change(boats / "turnstone.yml", (", channel: 11", ""))
    found = call("check", "--all", "--boats", boats, "--json").result["findings"]
    assert {Path(one["file"]).name for one in found} == {"club.yml"}
    assert [one["boat"] for one in found] == ["kittiwake", "turnstone"]
    said = call("check", "--all", "--boats", boats).out
    assert "error: kittiwake: there is no 20 MHz channel 15" in said


def test_keys_of_several_boats(call: Call, boats: Path) -> None:
    made = call("keys", "--all", "--boats", boats, "--json").result["boats"]
    assert [one["boat"] for one in made] == ["dunlin", "kittiwake", "turnstone"]
    assert [len(one["made"]) for one in made] == [3, 2, 2]
    assert all(Path(one["secrets"]).exists() for one in made)
    said = call("keys", "dunlin", "turnstone", "--rotate", "pass_phrase", "--boats", boats)
    assert [line.rpartition(": ")[2] for line in said.out.splitlines()] == ["made pass_phrase"] * 2
    assert "turnstone.secrets.yml" in said.out and "kittiwake" not in said.out
    assert call("keys", "dunlin", "club", "--boats", boats).status == 2


def test_what_is_beside_the_boats_is_no_matter(call: Call, boats: Path) -> None:
    (boats / "loop.yml").symlink_to("loop.yml")
    (boats / ".#dunlin.yml").symlink_to("operator@laptop.1234")
    (boats / "folder.yml").mkdir()
    os.mkfifo(boats / "pipe.yml")
    assert call("check", "dunlin", "--boats", boats).status == 0


def test_a_name_that_is_no_text_is_told_as_json(call: Call, tmp_path: Path) -> None:
    """File names are octets; these are no UTF-8."""
    folder = tmp_path / os.fsdecode(b"caf\xe9")
    said = call("check", "dunlin", "--boats", folder, "--json")
    assert said.status == 2
    assert folder.name in said.result["errors"][0]["message"]
