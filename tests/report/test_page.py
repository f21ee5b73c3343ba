"""The page as a document, and the words in it.

What a keeper reads of each season here is kept in `texts_approved/report`. After a change of
wording that is meant, write them anew, and read every one that differs before it is kept:

    WATCHD_APPROVE=1 python -m pytest tests/report/test_page.py
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Callable
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest

from tests.report.pages import page
from tests.report.seasons import DAY_S, Made, autumn, report_on, sound
from watchd.loading import load_rules, shipped
from watchd.report.report import Report
from watchd.rules.rule import Priority

APPROVED = Path(__file__).parents[1] / "texts_approved" / "report"
APPROVE = "WATCHD_APPROVE" in os.environ
VOID = {"meta", "link", "br", "hr", "img"}


class Reader(HTMLParser):
    """What is read of a page: its text by blocks, its tags, and whether they close."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.blocks: list[str] = [""]
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if tag in ("p", "h1", "h2", "h3", "li", "figcaption", "summary"):
            self.blocks.append(f"{'#' * int(tag[1])} " if re.fullmatch("h[123]", tag) else "")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not {"style", "svg", "table", "summary", "title"} & set(self.open):
            self.blocks[-1] += data

    def text(self) -> str:
        found = (re.sub(r"[ \n]+", " ", b).strip() for b in self.blocks)
        return "\n".join(b.replace("\xa0", " ") for b in found if b) + "\n"


def seasons() -> dict[str, Callable[[], Report]]:
    def with_rules(made: Made, *packs: str, since_d: float = 30.0) -> Report:
        in_force = {r.name: r for r in load_rules(shipped("rules"))}
        return report_on(made, *packs, rules=in_force, since_d=since_d)

    nothing = dict.fromkeys(sound())
    hot = Made().pack("alder").bank()
    hot.alarm(
        "pack-hot", "pack/alder", 29.5, text="alder: cells at 52.1 °C", priority=Priority.HIGH
    )
    return {
        "autumn": lambda: with_rules(autumn()),
        "one-pack": lambda: with_rules(autumn(), "birch"),
        "all-well": lambda: with_rules(Made().pack("alder").pack("birch").bank()),
        "first-day": lambda: with_rules(
            Made().pack("alder", days=1, figures=nothing, not_full=(0,), knows_joints=False)
        ),
        "hot": lambda: with_rules(hot),
    }


SEASONS = seasons()


@pytest.mark.parametrize("name", SEASONS)
def test_words(name: str) -> None:
    text = Reader(page(SEASONS[name](), with_drawings=False)).text()
    approved = APPROVED / f"{name}.txt"
    if APPROVE:
        approved.write_text(text, encoding="utf-8")
    assert text == approved.read_text(encoding="utf-8")
    assert "None" not in text
    assert "nan" not in text


def test_every_text_has_its_season() -> None:
    assert {p.stem for p in APPROVED.glob("*.txt")} == set(SEASONS)


@pytest.fixture(scope="module")
def whole() -> str:
    return page(SEASONS["autumn"]())


def test_nothing_comes_from_outside_and_nothing_runs(whole: str) -> None:
    reader = Reader(whole)
    assert not reader.open
    names = Counter(tag for tag, _ in reader.tags)
    assert not {"script", "link", "iframe", "object", "img", "base", "form"} & set(names)
    for tag, attributes in reader.tags:
        for key, value in attributes.items():
            assert not key.startswith("on"), key
            if key in ("href", "src", "xlink:href"):
                assert (value or "").startswith("#"), (tag, value)
    assert "http" not in whole
    assert "@import" not in whole
    assert set(re.findall(r"url\((.)", whole)) <= {"#"}


def test_who_does_not_see_reads_the_same(whole: str) -> None:
    reader = Reader(whole)
    ids = [a["id"] for _, a in reader.tags if "id" in a]
    assert len(ids) == len(set(ids))
    links = [str(a["href"])[1:] for tag, a in reader.tags if tag in ("a", "use") and "href" in a]
    assert set(links) <= set(ids)
    pictures = [a for tag, a in reader.tags if tag == "svg"]
    assert len(pictures) == 3 + 3 * 6 + 2  # the bank's, three packs', and what is known of dogwood
    for attributes in pictures:
        assert attributes["role"] == "img"
        label = str(attributes["aria-label"])
        assert label.endswith(".")
        assert re.search(r" of (hut|alder|birch|cedar|dogwood)\. ", label)
    labels = [str(a["aria-labelledby"]) for _, a in reader.tags if "aria-labelledby" in a]
    assert set(labels) <= set(ids)
    tables = [tag for tag, _ in reader.tags if tag == "table"]
    assert len(tables) == len(pictures)
    assert sum(tag == "caption" for tag, _ in reader.tags) == len(tables)
    order = [int(tag[1]) for tag, _ in reader.tags if re.fullmatch("h[1-6]", tag)]
    assert order[0] == 1
    assert order.count(1) == 1
    assert all(later - earlier <= 1 for earlier, later in pairwise(order))
    assert ("html", {"lang": "en"}) in reader.tags


def test_the_same_season_gives_the_same_bytes() -> None:
    first, second = (page(SEASONS["one-pack"]()) for _ in range(2))
    assert first == second


def test_it_is_small(whole: str) -> None:
    """30 days of four packs; the goal of the report is 1.5 MB."""
    assert len(whole.encode()) < 700_000


def test_an_old_store_is_said_to_be_old() -> None:
    report = SEASONS["all-well"]()
    said = "What is kept ends on 1 Oct 00:00."
    for later, expected in ((0.0, False), (0.9 * DAY_S, False), (1.1 * DAY_S, True)):
        text = Reader(page(report, now=report.span.end + later, with_drawings=False)).text()
        assert (said in text) is expected


def test_names_are_text_and_not_markup() -> None:
    made = Made().pack("alder").alarm("own-rule", "pack/alder", 29, text='<b>a</b> & "b"')
    text = page(report_on(made), with_drawings=False)
    assert "<b>a</b>" not in text
    assert "&lt;b&gt;a&lt;/b&gt; &amp;" in text


def test_the_table_of_a_drawing_has_its_numbers(whole: str) -> None:
    (found,) = re.findall(
        r'<caption class="unseen">Joints: resistance beyond the others, birch</caption>.*?</table>',
        whole, re.DOTALL,
    )  # fmt: skip
    assert '<th scope="row">9</th><td>+0.520</td>' in found
