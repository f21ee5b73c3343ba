"""Each drawing has what its numbers have: marks are counted, in the SVG itself."""

from __future__ import annotations

import re
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from tests.report.seasons import BEGIN, DAY_S, Made, autumn, report_on, sound
from watchd.loading import load_rules, shipped
from watchd.report.drawings import DRAWINGS
from watchd.report.drawings.paper import VARIABLES
from watchd.report.drawings.svg import drawn
from watchd.report.report import Report
from watchd.report.series.alarms import Alarms
from watchd.report.series.capacity import Capacity
from watchd.report.series.cells import Cells, level
from watchd.report.series.current import Current
from watchd.report.series.energy import Energy
from watchd.report.series.joints import Joints
from watchd.report.series.soc import Soc
from watchd.report.series.spread import Spread


@pytest.fixture(scope="module")
def report() -> Report:
    return report_on(autumn(), rules={r.name: r for r in load_rules(shipped("rules"))})


def numbers(report: Report, name: str, kind: type[Any]) -> Any:
    (section,) = (s for s in report.sections if s.name == name)
    return next(d for d in section.drawings if isinstance(d, kind))


class Picture:
    def __init__(self, shown: Any) -> None:
        self.text = drawn(DRAWINGS[type(shown)], shown, "pack-x-1", "What it shows & why.")
        self.root = ET.fromstring(self.text)  # noqa: S314 # our own

    def group(self, name: str) -> list[ET.Element]:
        return [g for g in self.root.iter("g") if g.get("class") == name]

    def marks(self, name: str) -> int:
        return sum(len(list(g.iter("use"))) for g in self.group(name))

    def paths(self, name: str) -> list[ET.Element]:
        return [p for g in self.group(name) for p in g.iter("path")]

    def hatched(self, name: str) -> int:
        return sum("fill: url(#" in (p.get("style") or "") for p in self.paths(name))

    def words(self) -> list[str]:
        return [t.text or "" for t in self.root.iter("text")]


def test_spread(report: Report) -> None:
    shown = numbers(report, "cedar", Spread)
    picture = Picture(shown)
    assert picture.marks("full") == len(shown.points) == 27
    assert picture.marks("without") == 3
    assert len(picture.paths("trend")) == 1
    assert len(picture.group("band")) == 1
    few = Picture(numbers(report_on(Made().pack("alder", days=4)), "alder", Spread))
    assert few.marks("full") == 4
    assert not few.group("trend")


def test_cells(report: Report) -> None:
    shown = numbers(report, "cedar", Cells)
    picture = Picture(shown)
    steps = [level(v) for c in shown.columns for v in c.deviation_mv]
    for step in range(-3, 4):
        squares = sum((p.get("d") or "").count("M") for p in picture.paths(f"step step{step}"))
        assert squares == steps.count(step), step
    assert picture.marks("sign high") == sum(s >= 2 for s in steps) > 0
    assert picture.marks("sign low") == sum(s <= -2 for s in steps) > 0
    labels = picture.words()
    assert [w for w in labels if w.isdecimal()] == [str(n) for n in range(1, 17)]
    assert "+28" in labels
    assert "\N{MINUS SIGN}19" in labels


def test_soc(report: Report) -> None:
    shown = numbers(report, "cedar", Soc)
    picture = Picture(shown)
    (bms,), (own,) = picture.paths("bms"), picture.paths("own")
    # Without colour they are told apart by their strokes.
    assert "dasharray" in (own.get("style") or "")
    assert "dasharray" not in (bms.get("style") or "")
    assert picture.marks("missed") == len(shown.anchors) == 25
    assert not picture.group("reanchored")
    anchored = report_on(Made().pack("alder", bms_off_pct=3.0))
    assert Picture(numbers(anchored, "alder", Soc)).marks("reanchored") == 30


def test_a_line_is_broken_where_nothing_is_known() -> None:
    made = Made().pack("alder")
    made._trends["pack/alder"] = [
        t for t in made._trends["pack/alder"] if not 10 <= (t.at - BEGIN) / DAY_S < 14
    ]
    (path,) = Picture(numbers(report_on(made), "alder", Soc)).paths("bms")
    assert (path.get("d") or "").count("M") == 2


def test_capacity(report: Report) -> None:
    picture = Picture(numbers(report, "alder", Capacity))
    assert picture.marks("measured") == 30
    assert sum((p.get("d") or "").count("M") for p in picture.paths("interval")) == 30
    assert len(picture.paths("nameplate")) == 1
    assert "nameplate 230 Ah" in picture.words()


def test_joints(report: Report) -> None:
    picture = Picture(numbers(report, "birch", Joints))
    assert len(picture.group("bar")) == 15
    assert len(picture.group("bar beyond")) == picture.hatched("bar beyond") == 1
    assert picture.hatched("bar") == 0
    assert "0.52" in picture.words()
    assert "alarm from 0.3 mΩ" in picture.words()
    assert len(picture.paths("limit")) == 1
    without_rule = Picture(numbers(report_on(autumn()), "birch", Joints))
    assert not without_rule.group("limit")
    assert len(without_rule.group("bar")) == 16


def test_current_by_day(report: Report) -> None:
    shown = numbers(report, "hut", Current)
    picture = Picture(shown)
    assert len(picture.group("current")) == 28
    assert len(picture.group("current beyond")) == picture.hatched("current beyond") == 2
    assert sum((p.get("d") or "").count("M") for p in picture.paths("limit")) == 30
    assert picture.marks("trip") == len(shown.trips) == 4


def test_current_of_a_short_span() -> None:
    picture = Picture(numbers(report_on(Made().pack("alder").bank(), since_d=2), "hut", Current))
    (limit,) = picture.paths("limit")
    assert "dasharray" in (limit.get("style") or "")
    assert len(picture.group("current")) == 1


def test_energy(report: Report) -> None:
    shown = numbers(report, "alder", Energy)
    picture = Picture(shown)
    assert len(picture.group("in")) == len(picture.group("out")) == len(shown.days) == 30
    assert (picture.hatched("in"), picture.hatched("out")) == (0, 30)
    whole = numbers(report, "hut", Energy)
    packs = [numbers(report, n, Energy) for n in ("alder", "birch", "cedar", "dogwood")]
    assert whole.into_kwh == pytest.approx(sum(p.into_kwh for p in packs))


def test_alarms(report: Report) -> None:
    shown = numbers(report, "hut", Alarms)
    picture = Picture(shown)
    for priority, times in (("critical", 1), ("high", 3), ("medium", 7), ("low", 2)):
        assert picture.marks(f"raised {priority}") == times
        assert picture.words().count(priority) == sum(r.priority == priority for r in shown.rows)
    assert picture.marks("stands") == 5
    bars = sum((p.get("d") or "").count("M") for p in picture.paths("stood"))
    assert bars == len(shown.times) == 13
    # A shape for each priority.
    shapes = {
        str(use.get("href"))
        for g in picture.root.iter("g")
        if (g.get("class") or "").startswith("raised")
        for use in g.iter("use")
    }
    assert len(shapes) == 4


def test_a_drawing_follows_the_page(report: Report) -> None:
    for section in report.sections:
        for shown in section.drawings:
            if shown.is_empty or section.name not in ("hut", "birch"):
                continue
            picture = Picture(shown)
            style = " ".join(str(e.get("style")) for e in picture.root.iter())
            assert not re.search(r"#[0-9a-f]{3,6}\b(?!\))", re.sub(r"url\([^)]*\)", "", style))
            assert set(re.findall(r"var\(--([\w-]+)\)", picture.text)) <= set(VARIABLES.values())
            assert picture.root.get("role") == "img"
            assert picture.root.get("aria-label") == "What it shows & why."
            assert "font-family" not in picture.text
            sizes = {float(s) for s in re.findall(r"font-size: ([\d.]+)px", picture.text)}
            assert min(sizes) >= 10
            box = [float(n) for n in (picture.root.get("viewBox") or "").split()]
            assert box[2] == 340
            ids = re.findall(r' id="([^"]*)"', picture.text)
            assert all(i.startswith("pack-x-1-") for i in ids)
            assert len(ids) == len(set(ids))
            assert set(re.findall(r"#(pack-x-1[^\")]*)", picture.text)) == set(ids)


@pytest.mark.parametrize("cells", [4, 8, 32])
def test_packs_of_other_sizes(cells: int) -> None:
    made = Made().pack("alder", cells=cells, leads=2, spread_mv=40.0)
    report = report_on(made)
    assert len(Picture(numbers(report, "alder", Joints)).group("bar")) == cells
    found = Picture(numbers(report, "alder", Cells))
    assert sum(w.isdecimal() for w in found.words()) == (cells if cells < 32 else 16)


@pytest.mark.parametrize("value", [0.0, -0.02, 1e-9, 5.0])
def test_odd_numbers_are_drawn(value: float) -> None:
    made = Made().pack(
        "alder", days=1, spread_mv=abs(value), excess=dict.fromkeys(range(1, 17), value), kwh=0.0,
        figures=sound(capacity_ah=230.0, capacity_sigma_ah=0.0),
    )  # fmt: skip
    for section in report_on(made).sections:
        for shown in section.drawings:
            if not shown.is_empty:
                assert "nan" not in Picture(shown).text.lower().replace("nameplate", "")
