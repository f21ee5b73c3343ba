"""Figures rendered where they changed: the same bytes as rendering all of them anew."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchd.figures import Figures, Value, rounded
from watchd.figures_text import LEAST, MOST, FiguresText
from watchd.publish import encode

STEADY = settings(max_examples=300, deadline=None, derandomize=True)
NAMES = ("cell_max_v", "packs_fresh", "charge_state", "protection")
# Near the ends of what is printed with six decimals, near halves of the last one, and zeros.
ODD = (0.0, -0.0, LEAST, -LEAST, MOST, -MOST, 2.5e-6, 5e-7, 0.9999995, 1.0, 1e-5, 123456789.0000005)
floats = st.one_of(
    st.sampled_from(ODD),
    st.floats(-60, 60),
    st.floats(allow_nan=False, allow_infinity=False),
    st.integers(-(10**9), 10**9).map(lambda n: n / 2e6),
)
values: st.SearchStrategy[Value] = st.one_of(
    floats,
    st.sampled_from([None, True, False, 0, 1, "", "FULL", "25 \u00b0C", (), ("OVER_VOLT", "b")]),
)


def whole(figures: Figures) -> str:
    return encode(rounded(figures)).decode()


@STEADY
@given(st.lists(st.tuples(st.sampled_from(NAMES), values), max_size=30))
def test_whatever_changes_it_is_what_all_of_it_gives(changes: list[tuple[str, Value]]) -> None:
    figures: Figures = dict.fromkeys(NAMES)
    text = FiguresText()
    for name, value in changes:
        figures[name] = value
        assert text.of(figures) == whole(figures)


@pytest.mark.parametrize(
    ("before", "after"), [(1, True), (1.0, 1), (0.0, -0.0), (False, 0.0), (3.3, 3.3000004)]
)
def test_values_that_are_equal_but_are_not_written_alike(before: Value, after: Value) -> None:
    figures: Figures = {"x": before}
    text = FiguresText()
    assert text.of(figures) == whole(figures)
    figures["x"] = after
    assert text.of(figures) == whole(figures)


def test_another_mapping_and_other_names() -> None:
    text = FiguresText()
    assert json.loads(text.of({"a": 1.5, "b": None})) == {"a": 1.5, "b": None}
    # As after a pause, in which all is unknown.
    assert text.of({"a": None, "b": None}) == '{"a":null,"b":null}'
    assert text.of({"b": 2.0, "a": 1.5}) == '{"b":2.0,"a":1.5}'
    grown: Figures = {"b": 2.0}
    assert text.of(grown) == '{"b":2.0}'
    grown["c"] = "x"
    assert text.of(grown) == '{"b":2.0,"c":"x"}'
