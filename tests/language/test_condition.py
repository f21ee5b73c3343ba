"""A condition at work says what leaves it without an answer."""

from __future__ import annotations

from watchd.figures import number
from watchd.language.condition import Condition
from watchd.language.expression import compile_expression


def test_a_window_that_is_withheld_is_what_leaves_a_condition_unknown() -> None:
    figures = {"cell_spread_mv": number("cell_spread_mv", "mv", "")}
    condition = Condition(compile_expression('mean(cell_spread_mv, "5 min") > 30', figures))
    assert condition.update(1000.0, {"cell_spread_mv": 50.0}) is None
    assert condition.unknown({"cell_spread_mv": 50.0}) == ("mean(cell_spread_mv, '5 min')",)
    assert condition.unknown({"cell_spread_mv": None}) == ("cell_spread_mv",)
    assert condition.update(1200.0, {"cell_spread_mv": 50.0}) is True
