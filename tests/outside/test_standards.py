"""The main job's ways in and out, against published standards and reference libraries."""

from __future__ import annotations

import json
import re
import statistics
from typing import Any

import pytest

from watchd.alarms.state import State
from watchd.figures import Kind, number
from watchd.language.condition import Condition
from watchd.language.expression import compile_expression
from watchd.publish import encode, rfc3339
from watchd.rules.rule import Priority
from watchd.telemetry.jsonpath import JsonPath
from watchd.telemetry.sample import Quality
from watchd.telemetry.topics import TopicPattern

# RFC 9535, section 1.5, figure 1 (shortened to what the examples below select) and table 2.
STORE: dict[str, Any] = {
    "store": {
        "book": [
            {"category": "reference", "price": 8.95},
            {"category": "fiction", "price": 12.99},
            {"category": "fiction", "isbn": "0-553-21311-3", "price": 8.99},
            {"category": "fiction", "isbn": "0-395-19395-8", "price": 22.99},
        ],
        "bicycle": {"color": "red", "price": 399},
    }
}


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("$.store.book[*].price", [8.95, 12.99, 8.99, 22.99]),
        ("$.store.bicycle.price", [399]),
        ("$['store']['bicycle']['price']", [399]),
        ("$.store.book[-1].price", [22.99]),
        ("$.store.book[0,1].price", [8.95, 12.99]),
        ("$.store.book[:2].price", [8.95, 12.99]),
        ("$.store.book[?@.isbn].price", [8.99, 22.99]),
        ("$.store.book[?@.price<10].price", [8.95, 8.99]),
        ("$.store.none", []),
    ],
)
def test_paths_are_rfc_9535s(path: str, expected: list[Any]) -> None:
    assert JsonPath(path).values(STORE) == expected


def test_times_out_are_rfc_3339() -> None:
    """Section 5.6 of RFC 3339, and its examples of section 5.8 as Unix seconds of POSIX."""
    form = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")
    for at in (0.0, 482196050.52, 1_790_000_000.0004, 4_102_444_800.999):
        assert form.fullmatch(rfc3339(at))
    assert rfc3339(482196050.52) == "1985-04-12T23:20:50.520Z"  # 5.8, first example
    assert rfc3339(851042397.0) == "1996-12-20T00:39:57.000Z"  # 5.8, second: 16:39:57-08:00


def test_json_out_is_rfc_8259_and_knows_no_nan() -> None:
    assert json.loads(encode({"a": "°C", "b": None, "c": 1.5})) == {"a": "°C", "b": None, "c": 1.5}
    with pytest.raises(ValueError, match="not JSON compliant"):
        encode({"a": float("nan")})


def test_states_and_priorities_have_the_words_of_isa_18_2() -> None:
    """As OPC 10000-9 (open text) gives them; `journal` is ours: recorded, never annunciated."""
    assert {str(s) for s in State} == {
        "normal",
        "unacknowledged",
        "acknowledged",
        "returned_unacknowledged",
        "latched_unacknowledged",
        "latched_acknowledged",
        "shelved",
        "suppressed_by_design",
        "out_of_service",
    }
    assert [str(p) for p in Priority] == ["critical", "high", "medium", "low", "journal"]


def test_qualities_have_sparkplugs_words() -> None:
    """Sparkplug B specification, chapter 6: GOOD, BAD, STALE."""
    assert {str(q) for q in Quality} == {"good", "bad", "stale"}


@pytest.mark.parametrize(
    ("pattern", "topic", "matches"),
    [
        # OASIS MQTT 5.0, 4.7.1.3: the single-level wildcard, as {pack} stands for it
        ("sport/tennis/{pack}", "sport/tennis/player1", True),
        ("sport/tennis/{pack}", "sport/tennis/player1/ranking", False),
        ("sport/{pack}", "sport", False),
        ("{pack}/finance", "a/finance", True),
        ("{pack}/finance", "a/b/finance", False),
    ],
)
def test_a_captured_level_is_mqtts_single_level_wildcard(
    pattern: str, topic: str, *, matches: bool
) -> None:
    assert (TopicPattern(pattern).match(topic) is not None) == matches


def test_a_source_subscribes_to_mqtts_wildcard() -> None:
    assert TopicPattern("hut/{pack}/cell/{cell}").subscription == "hut/+/cell/+"
    assert TopicPattern("hut/{pack}/cell_{cell}").subscription == "hut/+/+"


def test_slope_is_least_squares() -> None:
    """Against `statistics.linear_regression` of Python's library."""
    figures = {"cell_spread_mv": number("cell_spread_mv", "mv", "")}
    slope = compile_expression('slope(cell_spread_mv, "1 d")', figures, want=Kind.NUMBER)
    condition = Condition(slope)
    times = [600.0 * i for i in range(140)]
    spreads = [20 + 0.02 * i + (i * 7919 % 13) for i in range(140)]
    found = None
    for at, spread in zip(times, spreads, strict=True):
        found = condition.update(1_790_000_000 + at, {"cell_spread_mv": spread})
    days = [at / 86400 for at in times]
    assert found == pytest.approx(statistics.linear_regression(days, spreads).slope, rel=1e-6)
