"""Highest, lowest and mean cell, and the spread between them."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.estimators.moment import sample, setting
from watchd.estimators.cells import extremes
from watchd.figures import Figures, Value


def of(*volts: float) -> Figures:
    """The figures of a pack with these cells."""
    figures: Figures = {}
    extremes.Extremes(setting()).update(sample(cell_v=volts), figures)
    return figures


@pytest.mark.parametrize(
    ("what", "volts", "expected"),
    [
        ("four alike: the first is named", (3.33,) * 4, (3.33, 3.33, 3.33, 1, 1, 0)),
        ("one ahead", (3.33, 3.33, 3.45, 3.33), (3.45, 3.33, 3.36, 3, 1, 120)),
        ("one behind", (3.33, 3.33, 3.33, 3.21), (3.33, 3.21, 3.3, 1, 4, 120)),
        ("of two highest the first", (3.30, 3.34, 3.34, 3.30), (3.34, 3.30, 3.32, 2, 1, 40)),
        ("the last of four", (3.30, 3.31, 3.32, 3.35), (3.35, 3.30, 3.32, 4, 1, 50)),
    ],
)
def test_a_pack(
    what: str,
    volts: tuple[float, ...],
    expected: tuple[float, float, float, float, float, float],
) -> None:
    names = ("cell_max_v", "cell_min_v", "cell_mean_v", "cell_max_no", "cell_min_no")
    found = dict(zip((*names, "cell_spread_mv"), expected, strict=True))
    assert of(*volts) == pytest.approx(found), what


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.integers(2000, 3700), st.integers(0, 500))
def test_the_spread_of_whole_millivolts_is_exact(low_mv: int, spread_mv: int) -> None:
    # A limit of 40 mV must mean 40, not 39.99999999999999.
    found = of(low_mv / 1000, low_mv * 0.001, (low_mv + spread_mv) * 0.001, low_mv / 1000)
    assert found["cell_spread_mv"] == spread_mv


@settings(max_examples=100, deadline=None, derandomize=True)
@given(st.lists(st.integers(500, 5000), min_size=4, max_size=32))
def test_the_numbers_point_at_the_cells(millivolts: list[int]) -> None:
    figures = of(*(mv / 1000 for mv in millivolts))
    highest_no, lowest_no = figures["cell_max_no"], figures["cell_min_no"]
    assert isinstance(highest_no, int)
    assert isinstance(lowest_no, int)
    assert millivolts[highest_no - 1] == max(millivolts)
    assert max(millivolts) not in millivolts[: highest_no - 1]
    assert millivolts[lowest_no - 1] == min(millivolts)
    assert min(millivolts) not in millivolts[: lowest_no - 1]


def test_unknown_cells_leave_nothing_behind() -> None:
    figures = of(3.33, 3.33, 3.45, 3.33)
    extremes.Extremes(setting()).update(sample(1), figures)
    assert set(figures.values()) == {None}
    assert set(figures) == {f.name for f in extremes.FIGURES}


@pytest.mark.parametrize(
    ("cell", "volts", "deviation_mv"), [(0, 3.33, -30.0), (2, 3.45, 90.0), (3, 3.33, -30.0)]
)
def test_one_cell_beside_its_pack(cell: int, volts: float, deviation_mv: float) -> None:
    seen = sample(cell_v=(3.33, 3.33, 3.45, 3.33))
    figures: Figures = {"current_a": 12.0}
    extremes.Extremes(setting()).update(seen, figures)
    found = extremes.cell_figures(cell, seen, figures)
    own: dict[str, Value] = {
        "cell_no": cell + 1,
        "cell_v": volts,
        "cell_deviation_mv": deviation_mv,
    }
    assert found == {**figures, **own}
    assert "cell_v" not in figures


def test_one_cell_of_an_unknown_pack_has_its_number_only() -> None:
    figures: Figures = {}
    extremes.Extremes(setting()).update(sample(), figures)
    found = extremes.cell_figures(4, sample(), figures)
    assert [found[n] for n in ("cell_no", "cell_v", "cell_deviation_mv")] == [5, None, None]
