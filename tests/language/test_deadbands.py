"""A deadband: the limit moves toward "still true" while the alarm is raised."""

from __future__ import annotations

from typing import Any

import pytest

from tests.language.vocabulary import compiled, refusal
from watchd.figures import Value

# The condition, its deadbands, and figures that lie just inside or outside of the moved limit.
MOVED: list[tuple[str, dict[str, float], list[tuple[dict[str, Value], Any]]]] = [
    (
        "cell_spread_mv > 40",
        {"cell_spread_mv": 10},
        [({"cell_spread_mv": 30.1}, True), ({"cell_spread_mv": 30}, False)],
    ),
    (
        "40 < cell_spread_mv",
        {"cell_spread_mv": 10},
        [({"cell_spread_mv": 30.1}, True), ({"cell_spread_mv": 30}, False)],
    ),
    (
        "cell_spread_mv >= 40",
        {"cell_spread_mv": 10},
        [({"cell_spread_mv": 30}, True), ({"cell_spread_mv": 29.9}, False)],
    ),
    (
        "soc_pct < 20",
        {"soc_pct": 5},
        [({"soc_pct": 24.9}, True), ({"soc_pct": 25}, False)],
    ),
    (
        "20 >= soc_pct",
        {"soc_pct": 5},
        [({"soc_pct": 25}, True), ({"soc_pct": 25.1}, False)],
    ),
    # below `not`, the other way round
    (
        "not soc_pct > 20",
        {"soc_pct": 5},
        [({"soc_pct": 25}, True), ({"soc_pct": 25.1}, False)],
    ),
    (
        "not not cell_spread_mv > 40",
        {"cell_spread_mv": 10},
        [({"cell_spread_mv": 30.1}, True), ({"cell_spread_mv": 30}, False)],
    ),
    (
        "not (charge_allowed or soc_pct > 20)",
        {"soc_pct": 5},
        [
            ({"soc_pct": 25, "charge_allowed": False}, True),
            ({"soc_pct": 26, "charge_allowed": False}, False),
            ({"soc_pct": 25, "charge_allowed": True}, False),
        ],
    ),
    # a band, whose two limits both move outward
    (
        "-5 < current_a < 10",
        {"current_a": 2},
        [
            ({"current_a": -6.9}, True),
            ({"current_a": -7}, False),
            ({"current_a": 11.9}, True),
            ({"current_a": 12}, False),
        ],
    ),
    (
        "not -5 < current_a < 10",
        {"current_a": 2},
        [
            ({"current_a": -3}, True),
            ({"current_a": -2.9}, False),
            ({"current_a": 8}, True),
            ({"current_a": 7.9}, False),
        ],
    ),
    # only the named figure moves, in each place where it meets a limit
    (
        "cell_spread_mv > 40 and cell_max_v > 3.4 or cell_spread_mv > 80",
        {"cell_spread_mv": 10},
        [
            ({"cell_spread_mv": 31, "cell_max_v": 3.41}, True),
            ({"cell_spread_mv": 31, "cell_max_v": 3.4}, False),
            ({"cell_spread_mv": 71, "cell_max_v": 3.4}, True),
        ],
    ),
    (
        "cell_spread_mv > 40 and cell_max_v > 3.4",
        {"cell_spread_mv": 10, "cell_max_v": 0.05},
        [({"cell_spread_mv": 31, "cell_max_v": 3.36}, True)],
    ),
    # a limit that is a figure itself
    (
        "current_a > 0.5 * nameplate_ah",
        {"current_a": 10},
        [
            ({"current_a": 91, "nameplate_ah": 200}, True),
            ({"current_a": 90, "nameplate_ah": 200}, False),
        ],
    ),
    # in a conditional, where which limit holds does not hang on the figure itself
    (
        "cell_max_v > 3.5 if charge_allowed else cell_max_v < 3.0",
        {"cell_max_v": 0.1},
        [
            ({"cell_max_v": 3.41, "charge_allowed": True}, True),
            ({"cell_max_v": 3.09, "charge_allowed": False}, True),
            ({"cell_max_v": 3.11, "charge_allowed": False}, False),
        ],
    ),
    # what a window makes of the figure does not move, only the figure's own limit
    (
        "cell_spread_mv > 40 and count(cell_spread_mv > 40, '1 h') >= 0",
        {"cell_spread_mv": 10},
        [({"cell_spread_mv": 31}, None)],
    ),
    # unknown stays unknown
    ("cell_spread_mv > 40", {"cell_spread_mv": 10}, [({"cell_spread_mv": None}, None)]),
]


@pytest.mark.parametrize(("condition", "deadband", "cases"), MOVED)
def test_where_the_moved_limit_lies(
    condition: str,
    deadband: dict[str, float],
    cases: list[tuple[dict[str, Value], Any]],
) -> None:
    stays = compiled(condition, None, **deadband)
    for figures, result in cases:
        given = {**dict.fromkeys(stays.names), **figures}
        assert stays.evaluate(given, [None] * len(stays.calls)) is result, figures


def test_the_inside_of_a_window_takes_no_deadband() -> None:
    stays = compiled(
        "cell_spread_mv > 40 and count(cell_spread_mv > 40, '1 h') > 2", None, cell_spread_mv=10
    )
    (call,) = stays.calls
    assert call.inner({"cell_spread_mv": 35}) is False


REFUSED: list[tuple[str, str]] = [
    ("current_a > 1", "the deadband names 'soc_pct', but no limit is put on it in this condition"),
    (
        "soc_pct + 1 > 20",
        "the deadband names 'soc_pct', but no limit is put on it in this condition",
    ),
    (
        "count(soc_pct > 20, '1 h') > 2",
        "the deadband names 'soc_pct', but no limit is put on it in this condition",
    ),
    ("soc_pct == 20", "the deadband of 'soc_pct' needs a limit: < <= > or >="),
    ("20 != soc_pct", "the deadband of 'soc_pct' needs a limit: < <= > or >="),
    # More of the figure could mean more or less of the whole.
    (
        "(soc_pct > 20) == False",
        "the deadband of 'soc_pct' has no direction here; give until",
    ),
    (
        "charge_allowed != (soc_pct > 20)",
        "the deadband of 'soc_pct' has no direction here; give until",
    ),
    (
        "(0 if soc_pct > 20 else 1) > 0.5",
        "the deadband of 'soc_pct' has no direction here; give until",
    ),
    (
        "current_a > 1 if soc_pct > 20 else current_a > 5",
        "the deadband of 'soc_pct' has no direction here; give until",
    ),
    (
        "not (charge_allowed if not soc_pct > 20 else protection_trip)",
        "the deadband of 'soc_pct' has no direction here; give until",
    ),
]


@pytest.mark.parametrize(("condition", "what"), REFUSED)
def test_refused(condition: str, what: str) -> None:
    assert refusal(condition, None, soc_pct=5).what == what
