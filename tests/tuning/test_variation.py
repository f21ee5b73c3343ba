"""`--vary` as people write it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchd.errors import WatchdError
from watchd.tuning.variation import parse_variation


@pytest.mark.parametrize(
    ("text", "what", "operator", "unit", "values"),
    [
        ("cell_spread_mv 20..60 step 20", "cell_spread_mv", None, "mv", [20, 40, 60]),
        ("  cell_spread_mv  20 .. 60  step  20 ", "cell_spread_mv", None, "mv", [20, 40, 60]),
        ("cell_max_v > 3.4..3.6 step 0.1", "cell_max_v", ">", "v", [3.4, 3.5, 3.6]),
        ("cell_max_v>=3.4..3.45 step 0.05", "cell_max_v", ">=", "v", [3.4, 3.45]),
        ("current_a -10..10 step 10", "current_a", None, "a", [-10, 0, 10]),
        ("current_a < -10..-5 step 5", "current_a", "<", "a", [-10, -5]),
        ("current_a > 55: 4..5 step 1", "current_a > 55", None, "a", [4, 5]),
        ("55 < current_a : 4..5 step 1", "55 < current_a", None, "a", [4, 5]),
        ("trips_24h 1..3 step 1", "trips_24h", None, "", [1, 2, 3]),
        ("x 1..2.5 step 1", "x", None, "", [1, 2]),  # the last step does not fit
        ("on_delay 30 s..2 min step 30 s", "on_delay", None, "s", [30, 60, 90, 120]),
        ("since_full_h 7 d..14 d step 7 d", "since_full_h", None, "h", [168, 336]),
        (
            'mean(current_a, "10 min") 2..4 step 1',
            'mean(current_a, "10 min")',
            None,
            "a",
            [2, 3, 4],
        ),
    ],
)
def test_what_is_varied_and_its_values(
    text: str, what: str, operator: str | None, unit: str, values: list[float]
) -> None:
    variation = parse_variation(text)
    assert (variation.what, variation.operator) == (what, operator)
    assert variation.values(unit) == values


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "cannot be varied; write FIGURE LOW..HIGH step STEP"),
        ("cell_spread_mv", "cannot be varied"),
        ("cell_spread_mv 20", "cannot be varied"),
        ("cell_spread_mv 20-60 step 5", "cannot be varied"),
        ("cell_spread_mv 20..60", "cannot be varied"),
        ("20..60 step 5", "cannot be varied"),
        ("cell_spread_mv 20..60 step 5 mV", "cannot be varied"),
        ("cell_spread_mv 1e3..1e4 step 1e2", "cannot be varied"),
        ("x 1234567890123..2 step 1", "cannot be varied"),
        ("x 30 s..60 step 5", "write s, min, h or d at all three numbers, or at none"),
    ],
)
def test_what_is_no_variation(text: str, says: str) -> None:
    with pytest.raises(WatchdError) as error:
        parse_variation(text)
    assert says in str(error.value)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("x 60..20 step 5", "60..20 does not rise: write the lower value first"),
        ("x 20..20 step 5", "20..20 does not rise"),
        ("x 20..60 step 0", "the step is 0; it has to be more than 0"),
        ("x 20..60 step -5", "the step is -5"),
        ("x 0..200 step 1", "201 values; at most 200: take a larger step"),
        ("x 0..999999999999 step 0.000000001", "at most 200"),
        ("x 30 s..60 s step 10 s", "'30 s' is a duration, but what is varied has another unit"),
    ],
)
def test_values_that_there_cannot_be(text: str, says: str) -> None:
    with pytest.raises(WatchdError) as error:
        parse_variation(text).values("mv")
    assert says in str(error.value)


@given(st.integers(-999, 999), st.integers(1, 199), st.integers(1, 99), st.integers(0, 3))
def test_no_step_is_lost_to_rounding(low: int, steps: int, step: int, digits: int) -> None:
    ten = 10**digits
    high = low + steps * step
    text = f"x {low / ten:.{digits}f}..{high / ten:.{digits}f} step {step / ten:.{digits}f}"
    values = parse_variation(text).values("")
    assert values == [(low + i * step) / ten for i in range(steps + 1)]


@given(st.text(max_size=60))
def test_any_text_is_taken_or_refused_in_words(text: str) -> None:
    try:
        parse_variation(text).values("mv")
    except WatchdError as error:
        assert str(error)  # noqa: PT017 - either way is fine
