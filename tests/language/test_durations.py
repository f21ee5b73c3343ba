"""Durations as people write them."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchd.durations import parse_duration, show_duration

STEADY = settings(deadline=None, derandomize=True, database=None)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("30 s", 30),
        ("5 min", 300),
        ("2 h", 7200),
        ("14 d", 1_209_600),
        ("1.5 h", 5400),
        ("0 s", 0),
        ("90s", 90),
        ("  5   min ", 300),
        ("3660 d", 3660 * 86400),
    ],
)
def test_read(text: str, seconds: float) -> None:
    assert parse_duration(text) == seconds


@pytest.mark.parametrize(
    "text",
    ["", "5", "min", "5 m", "5 minutes", "-5 s", "+5 s", "1,5 h", "5 h 30 min", "1e3 s", ".5 h",
     "5. h", "5 S", "inf s", "nan d", "5 s\n5 s"],
)  # fmt: skip
def test_not_a_duration(text: str) -> None:
    with pytest.raises(ValueError, match="is not a duration; write a number and s, min, h or d"):
        parse_duration(text)


@pytest.mark.parametrize("text", ["3661 d", "999999999 h", "9" * 400 + " s"])
def test_too_long(text: str) -> None:
    with pytest.raises(ValueError, match="is longer than ten years"):
        parse_duration(text)


@pytest.mark.parametrize(
    ("seconds", "shown"),
    [
        (0, "0 s"),
        (0.25, "0.2 s"),
        (30, "30 s"),
        (60, "1 min"),
        (90, "90 s"),
        (120, "2 min"),
        (200, "3.3 min"),
        (3600, "1 h"),
        (5400, "90 min"),
        (86400, "1 d"),
        (90000, "25 h"),
        (1_209_600, "14 d"),
    ],
)
def test_shown(seconds: float, shown: str) -> None:
    assert show_duration(seconds) == shown


@settings(STEADY, max_examples=300)
@given(st.floats(0, 3660 * 86400.0))
def test_what_is_shown_can_be_read_and_is_near(seconds: float) -> None:
    # Shown with one decimal of a unit of which there are at least two, or to a tenth of a second.
    again = parse_duration(show_duration(seconds))
    assert again == pytest.approx(seconds, rel=0.03, abs=0.051)


@settings(STEADY, max_examples=300)
@given(st.text(max_size=20))
def test_any_text(text: str) -> None:
    try:
        seconds = parse_duration(text)
    except ValueError:
        return
    assert seconds >= 0
