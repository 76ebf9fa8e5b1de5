# SPDX-License-Identifier: GPL-3.0-or-later
"""What comes out of a printer: pages, sizes, codes that a phone reads, and black alone."""

from __future__ import annotations

import functools
import os
import re
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image, ImageDraw

from provision.paper import Pages, Paper, make_labels, make_sheets, pdf
from tests.support.paper_rig import make_changes
from tests.support.render_rig import SECRETS, boat

COUNTS = (1, 4, 12, 20)
WIFI = f"WIFI:T:WPA;S:Kittiwake;P:{SECRETS.pass_phrase};;"
PAGE = "http://10.47.1.1/"


def run(*command: object) -> bytes:
    return subprocess.run([*map(str, command)], capture_output=True, check=True).stdout


#: Gives the PDF file of the sheet of a boat with so many links, on a kind of paper.
Sheets = Callable[..., Path]


@pytest.fixture(scope="module")
def sheets(tmp_path_factory: pytest.TempPathFactory) -> Sheets:
    """Give sheets, each laid out once."""
    folder = tmp_path_factory.mktemp("sheets")

    @functools.cache
    def made(count: int, paper: Paper = Paper.A4) -> Path:
        one = boat(folder, **make_changes(count))
        pages = make_sheets([(one, SECRETS.pass_phrase)], paper, pdf.count_pages)
        return save(pages, folder / f"{count}-{paper}.pdf")

    return made


@pytest.fixture(scope="module")
def labels(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Paper], Path]:
    """Give the labels of a boat with twelve links, each laid out once."""
    folder = tmp_path_factory.mktemp("labels")

    @functools.cache
    def made(paper: Paper) -> Path:
        pages = make_labels([boat(folder, **make_changes(12))], paper)
        return save(pages, folder / f"{paper}.pdf")

    return made


def save(pages: Pages, file: Path) -> Path:
    file.write_bytes(pdf.write_pdf(pages.html, pages.kind))
    return file


def info(file: Path, key: str) -> str:
    (value,) = re.findall(rf"(?m)^{key}: *(.*)$", run("pdfinfo", file).decode())
    return str(value)


def picture(file: Path, dpi: int, form: str) -> Path:
    """Print the first page at so many dots an inch: form is mono, gray or rgb."""
    target = file.with_suffix(f".{dpi}-{form}")
    options = [] if form == "rgb" else [f"-{form}"]
    run("pdftoppm", "-r", dpi, "-singlefile", *options, file, target)
    (found,) = target.parent.glob(f"{target.name}.p?m")
    return found


def read_codes(image: Path) -> set[str]:
    """Return the text of each code on a picture."""
    said = run("zbarimg", "-q", "--nodbus", "-Sdisable", "-Sqrcode.enable", image).decode()
    return {text.rstrip("\n") for text in said.split("QR-Code:")[1:]}


def read_rows(image: Path) -> list[str]:
    """Return the rows of a picture of one bit, a character each dot: 1 is black."""
    found = re.match(rb"P4\n(\d+) \d+\n(.*)", image.read_bytes(), re.DOTALL)
    assert found
    octets = (int(found[1]) + 7) // 8
    rows = (found[2][start : start + octets] for start in range(0, len(found[2]), octets))
    return ["".join(f"{octet:08b}" for octet in row) for row in rows]


@pytest.mark.parametrize("paper", Paper)
@pytest.mark.parametrize(("count", "pages"), [(1, 1), (4, 1), (12, 1), (20, 2)])
def test_one_page_up_to_twelve_links(sheets: Sheets, count: int, pages: int, paper: Paper) -> None:
    assert info(sheets(count, paper), "Pages") == str(pages)


@pytest.mark.parametrize(
    ("paper", "size"), [(Paper.A4, "595.276 x 841.89 pts"), (Paper.LETTER, "612 x 792 pts")]
)
def test_the_paper_is_the_one_asked_for(
    sheets: Sheets, labels: Callable[[Paper], Path], paper: Paper, size: str
) -> None:
    assert size in info(sheets(4, paper), "Page size")
    assert info(labels(paper), "Page size") == info(sheets(4, paper), "Page size")


@pytest.mark.parametrize(("dpi", "form"), [(100, "mono"), (150, "gray"), (300, "mono")])
@pytest.mark.parametrize("count", COUNTS)
def test_the_codes_of_a_sheet_are_read(sheets: Sheets, count: int, dpi: int, form: str) -> None:
    codes = read_codes(picture(sheets(count), dpi, form))
    assert codes == ({WIFI} if count == 1 else {WIFI, PAGE})


#: The Wi-Fi's code has so many squares a side, and a margin of four on each side.
SQUARES, MARGIN = 33, 8


def find_wifi_code(sheet: Path) -> tuple[int, int, int]:
    """Return the left, top and width of the Wi-Fi's code on a sheet of Letter, in 1/254 inch."""
    begin = 1085
    rows = [row[begin : begin + 340] for row in read_rows(picture(sheet, 254, "mono"))]
    # A corner of a code begins with seven black squares.
    top = next(y for y, row in enumerate(rows) if y > 250 and "1" * 50 in row[:120])
    code = rows[top : top + 330 * SQUARES // (SQUARES + MARGIN)]
    left = min(row.index("1") for row in code if "1" in row)
    right = max(row.rindex("1") for row in code if "1" in row)
    return begin + left, top, right - left


def test_the_wifis_code_is_33_mm_with_its_margin(sheets: Sheets) -> None:
    # At 254 dots an inch 1 mm is 10 dots.
    _, _, width = find_wifi_code(sheets(12, Paper.LETTER))
    assert width == pytest.approx(330 * SQUARES / (SQUARES + MARGIN), abs=3)


def test_a_code_that_is_faded_tilted_or_blotted_is_read(sheets: Sheets, tmp_path: Path) -> None:
    sheet = sheets(12, Paper.LETTER)
    left, top, width = find_wifi_code(sheet)
    clean = Image.open(picture(sheet, 254, "gray"))
    blotted = clean.copy()
    centre = (left + width // 2, top + width // 2)
    # A drop of 5 mm that takes the ink away.
    ImageDraw.Draw(blotted).circle(centre, 25, fill=255)
    spoilt = {
        "faded": clean.point(lambda dot: 120 + dot * 70 // 255),
        "tilted": clean.rotate(7, fillcolor=255),
        "blotted": blotted,
    }
    for name, image in spoilt.items():
        image.save(tmp_path / f"{name}.png")
        assert WIFI in read_codes(tmp_path / f"{name}.png"), name


@pytest.mark.parametrize("paper", Paper)
@pytest.mark.parametrize(("dpi", "form"), [(200, "gray"), (300, "mono"), (600, "mono")])
def test_the_codes_of_labels_are_read(
    labels: Callable[[Paper], Path], paper: Paper, dpi: int, form: str
) -> None:
    texts = read_codes(picture(labels(paper), dpi, form))
    named = {line.split(" ")[-3] for text in texts for line in text.splitlines() if "baud" in line}
    # Of twelve links one is a network without an adapter.
    assert named == {f"instrument-{number}" for number in range(1, 12)}
    assert PAGE in texts and "kittiwake: hub main\n7 USB sockets, its own supply" in texts


def test_the_ruler_is_100_mm_on_paper(labels: Callable[[Paper], Path]) -> None:
    # At 254 dots an inch 1 mm is 10 dots.
    rows = read_rows(picture(labels(Paper.A4), 254, "mono"))
    runs = [max(map(len, re.findall("1+", row)), default=0) for row in rows[:500]]
    assert any(abs(run - 1000) <= 3 for run in runs)


@pytest.mark.parametrize("count", COUNTS)
def test_no_colour_and_no_grey_area(sheets: Sheets, count: int) -> None:
    image = picture(sheets(count), 60, "rgb").read_bytes()
    pixels = image.split(b"\n", 3)[3]
    assert pixels[0::3] == pixels[1::3] == pixels[2::3]


@pytest.mark.parametrize("count", COUNTS)
def test_text_can_be_read_and_searched(sheets: Sheets, count: int) -> None:
    file = sheets(count)
    text = run("pdftotext", "-layout", file, "-").decode()
    changes = make_changes(count)
    names = [*changes["links"], *changes.get("inputs", ())]
    assert [name for name in names if not re.search(rf"\b{name}\b", text)] == []
    assert SECRETS.pass_phrase in text
    assert info(file, "Tagged") == "yes"


_MAKE = """
import sys
from pathlib import Path
from provision.paper import Paper, make_labels, make_sheets, pdf
from tests.support.paper_rig import make_changes
from tests.support.render_rig import boat
one = boat(Path("/tmp"), **make_changes(12))
sheet = make_sheets([(one, "never-mind-who")], Paper.A4, pdf.count_pages)
for pages in (sheet, make_labels([one], Paper.A4)):
    sys.stdout.buffer.write(pdf.write_pdf(pages.html, pages.kind))
"""


def test_the_same_bytes_from_two_processes() -> None:
    made = [
        subprocess.run(
            [sys.executable, "-c", _MAKE],
            env={**os.environ, "PYTHONHASHSEED": seed, "TZ": zone},
            capture_output=True,
            check=True,
        ).stdout
        for seed, zone in (("1", "UTC"), ("2", "Asia/Tokyo"))
    ]
    assert made[0] == made[1] and made[0].count(b"%PDF-") == 2


def test_without_the_pass_phrase_the_print_has_neither_it_nor_its_code(tmp_path: Path) -> None:
    pages = make_sheets([(boat(tmp_path, **make_changes(4)), None)], Paper.A4, pdf.count_pages)
    file = save(pages, tmp_path / "sheet.pdf")
    assert SECRETS.pass_phrase not in run("pdftotext", file, "-").decode()
    assert read_codes(picture(file, 200, "gray")) == {PAGE}


@pytest.mark.parametrize("ssid", ["<b>&amp;</b>", "קיטיוויק", "\u202egnp.exe", "x" * 32])
def test_a_hostile_name_is_printed(tmp_path: Path, ssid: str) -> None:
    changes = make_changes(12) | {"network": {"access_point": {"ssid": ssid, "country": "GB"}}}
    one = boat(tmp_path, **changes)
    pages = make_sheets([(one, "p" * 63)], Paper.A4, pdf.count_pages)
    file = save(pages, tmp_path / "sheet.pdf")
    assert info(file, "Pages") == "1"
    codes = read_codes(picture(file, 200, "gray"))
    assert f"WIFI:T:WPA;S:{ssid.replace(';', chr(92) + ';')};P:{'p' * 63};;" in codes


def test_no_address_is_ever_asked() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.setblocking(False)
        address = f"http://127.0.0.1:{server.getsockname()[1]}/"
        styles = f"<style>@import url({address}a.css)</style><img src='{address}b.png'>"
        assert pdf.count_pages(f"<link rel=stylesheet href={address}c.css>{styles}") == 1
        with pytest.raises(BlockingIOError):
            server.accept()
