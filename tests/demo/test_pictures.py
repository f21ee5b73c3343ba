"""The pictures of README.md: small enough, and a terminal drawn as text."""

import re
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from demo.pictures import excerpt, terminal_svg

ROOT = Path(__file__).parents[2]
PICTURES = ROOT / "docs" / "pictures"
TEXT_OF_SVG = "{http://www.w3.org/2000/svg}text"


def test_a_terminal_is_text_in_an_svg() -> None:
    lines = ["       Mon 17 Aug  » Storm.", "", "  │ 5 < 6 & 0.37 mΩ │", "week  4  auk ●○"]
    root = ET.fromstring(terminal_svg(lines))  # noqa: S314 - our own
    found = root.findall(TEXT_OF_SVG)
    assert [text.text for text in found] == [line for line in lines if line]
    assert [text.get("class") for text in found] == ["true", None, "week"]
    assert len({int(text.get("y", "0")) for text in found}) == 3
    # Whatever font the reader has, a line has its width, so frames close.
    assert float(found[2].get("textLength", "0")) == pytest.approx(8.43 * len(lines[3]), abs=0.1)


def test_an_excerpt_goes_from_its_first_line_to_its_last() -> None:
    assert excerpt("one\ntwo\nthree\nfour\ntwo\n", "two", "four") == ["two", "three", "four"]
    with pytest.raises(StopIteration):
        excerpt("one\ntwo\n", "two", "one")


def test_what_readme_shows_is_there_and_small() -> None:
    shown = set(re.findall(r"docs/pictures/([\w.-]+)", (ROOT / "README.md").read_text()))
    sizes = {path.name: path.stat().st_size for path in PICTURES.iterdir()}
    assert shown == set(sizes)
    assert max(sizes.values()) < 200_000
    assert sum(sizes.values()) < 600_000
