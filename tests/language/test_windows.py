"""The windowed functions: what they say of a day on the hut, and against a brute-force memory."""

from __future__ import annotations

import json
import math
import random
from typing import Any

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from tests.language.remembering import Memory
from tests.language.vocabulary import Watched
from watchd.figures import Value
from watchd.language.functions import FUNCTIONS, WindowCall
from watchd.language.windows import BUCKETS, Window, window_of

STEADY = settings(deadline=None, derandomize=True, database=None)
NOON = 1_790_000_000.0
HOUR = 3600.0


def window(function: str, span_s: float, state: dict[str, Any] | None = None) -> Window:
    return window_of(WindowCall(function, function, span_s, lambda figures: figures["x"]), state)


# --- what each says, by hand ---

# A pack over an hour: minutes, current, whether a protection acts.
STORY: list[tuple[float, float | None, bool | None]] = [
    (0, 10.0, False),
    (10, 40.0, True),
    (25, None, None),
    (30, 40.0, False),
    (40, 20.0, True),
    (45, 20.0, False),
    (60, 20.0, False),
]


@pytest.mark.parametrize(
    ("condition", "result"),
    [
        # 10 min at 10 A, 15 at 40, 5 unknown, 10 at 40, 20 at 20
        ("mean(current_a, '60 min')", (10 * 10 + 25 * 40 + 20 * 20) / 55),
        ("mean(current_a, '20 min')", 20.0),
        ("highest(current_a, '60 min')", 40.0),
        ("highest(current_a, '15 min')", 20.0),
        ("lowest(current_a, '60 min')", 10.0),
        ("lowest(current_a, '30 min')", 20.0),
        ("count(protection_trip, '60 min')", 2.0),
        ("count(protection_trip, '30 min')", 1.0),
        ("count(protection_trip, '10 min')", 0.0),
        ("elapsed(protection_trip, '60 min')", 20 * 60.0),
        ("elapsed(protection_trip, '30 min')", 5 * 60.0),
        ("since(protection_trip, '60 min')", 15 * 60.0),
        ("since(protection_trip, '10 min')", None),
        ("changed(current_a, '60 min')", True),
        ("changed(current_a, '15 min')", False),
        ("changed(current_a, '61 min')", True),
        ("changed(charge_allowed, '10 min')", None),
        ("elapsed(current_a > 30, '60 min') >= '25 min'", True),
    ],
)
def test_an_hour_on_the_hut(condition: str, result: Value) -> None:
    watched = Watched(condition)
    came = None
    for minutes, amps, trip in STORY:
        came = watched.at(NOON + 60 * minutes, current_a=amps, protection_trip=trip)
    # The windows begin on a bucket's edge, up to 1/240 of their length late.
    assert came == (pytest.approx(result, rel=1 / 100) if isinstance(result, float) else result)


def test_a_steady_rise_has_its_slope_per_day() -> None:
    watched = Watched("slope(cell_spread_mv, '14 d')")
    came = None
    for hours in range(14 * 24):
        came = watched.at(NOON + HOUR * hours, cell_spread_mv=20 + 0.5 * hours / 24)
    assert came == pytest.approx(0.5, rel=1e-6)


def test_uneven_sampling_does_not_bend_a_mean() -> None:
    # 1 h at 10 A told every second, 1 h at 30 A told once.
    watched = Watched("mean(current_a, '2 h')")
    for second in range(3600):
        watched.at(NOON + second, current_a=10.0)
    watched.at(NOON + HOUR, current_a=30.0)
    assert watched.at(NOON + 2 * HOUR, current_a=30.0) == pytest.approx(20.0, rel=1 / 100)


@pytest.mark.parametrize("function", ["mean", "highest", "lowest", "slope"])
def test_withheld_until_half_of_the_window_is_known(function: str) -> None:
    watched = Watched(f"{function}(current_a, '1 h')")
    assert watched.at(NOON, current_a=5.0) is None
    assert watched.at(NOON + 1790, current_a=5.0) is None
    assert watched.at(NOON + 1800, current_a=5.0) is not None
    # Unknown again for more than half of it: withheld again.
    watched.at(NOON + 2000, current_a=None)
    assert watched.at(NOON + 3600, current_a=None) is not None
    assert watched.at(NOON + 5000, current_a=None) is None


@pytest.mark.parametrize(
    "condition",
    [
        "count(protection_trip, '1 h')",
        "elapsed(protection_trip, '1 h')",
        "since(protection_trip, '1 h')",
        "changed(protection_trip, '1 h')",
    ],
)
def test_of_what_was_not_seen_nothing_is_said(condition: str) -> None:
    # A bridge that is silent for longer than the window. To say "never tripped" or "has not
    # changed" would clear one alarm and raise another on a missing value.
    watched = Watched(condition)
    watched.at(NOON, protection_trip=False)
    watched.at(NOON + 60, protection_trip=True)
    for minutes in range(2, 130, 2):
        watched.at(NOON + 60 * minutes, protection_trip=None)
    assert watched.at(NOON + 60 * 130, protection_trip=None) is None


def test_a_gap_is_not_a_change_and_hides_none() -> None:
    same, other = Watched("changed(soc_pct, '1 h')"), Watched("changed(soc_pct, '1 h')")
    for minutes, soc, later in ((0, 80.0, 80.0), (40, None, None), (50, 80.0, 81.0)):
        same.at(NOON + 60 * minutes, soc_pct=soc)
        other.at(NOON + 60 * minutes, soc_pct=later)
    assert same.at(NOON + 60 * 65, soc_pct=80.0) is False
    assert other.at(NOON + 60 * 65, soc_pct=81.0) is True


def test_between_two_looks_what_holds_goes_on() -> None:
    elapsed, since = window("elapsed", HOUR), window("since", HOUR)
    for each in (elapsed, since):
        each.update(NOON, True)
    assert elapsed.value(NOON + 60) == 60
    assert elapsed.value(NOON + 3 * HOUR) == HOUR  # never more than the window
    assert since.value(NOON + 60) == 0
    since.update(NOON + 90, False)
    assert since.value(NOON + 100) == 10
    assert since.value(NOON + 90 + HOUR) == HOUR
    assert since.value(NOON + 91 + HOUR) is None


# --- against brute force ---

# Spans whose bucket is a binary fraction, and some whose bucket is none and rounds.
SPANS_S = [1.0, 7.0, 60.0, 100.0, 3600.0, 86400.0]
STARTS = st.one_of(st.sampled_from([0.0, -1000.0, NOON]), st.floats(0, 2e9))
# Parts of the window: nothing, a little, a bucket, some buckets, much, and more than all of it.
STEPS = st.one_of(
    st.sampled_from([0.0, 1 / 240, 5 / 240, 0.5, 1.0, 2.5]),
    st.floats(0, 0.05),
    st.floats(0, 0.4),
)
TRUTHS = st.sampled_from([True, False, None])
LEVELS = st.one_of(st.sampled_from([3.3, 3.4, 3.45, 0.0, None]), st.floats(-50, 50))


def stories(values: st.SearchStrategy[Value]) -> st.SearchStrategy[list[tuple[float, Value]]]:
    return st.lists(st.tuples(STEPS, values), min_size=1, max_size=30)


def begins(now: float, span_s: float) -> list[float]:
    """Where the window may begin: on the first edge of a bucket that lies within the span.

    That is at most one bucket, 1/240 of the window, late. A time on an edge, or a microsecond
    from it, may count as of either side.
    """
    width_s = span_s / BUCKETS
    found = []
    for shift in (-1e-6, 0.0, 1e-6):
        start = (math.floor((now + shift) / width_s) - BUCKETS + 1) * width_s
        assert now - span_s - 2e-6 <= start <= now - span_s + width_s + 2e-6
        found += [start - 2e-6, start + 2e-6]
    return found


def agrees(came: Value, function: str, memory: Memory, start: float, span_s: float) -> bool:
    expected = getattr(memory, function)(start, memory.samples[-1][0], span_s)
    if isinstance(expected, tuple):
        slope, error = expected
        if error == math.inf:  # all samples stand in a bucket or two
            return True
        return isinstance(came, float) and abs(came - slope) <= error * (1 + 1e-6) + 1e-6
    if isinstance(expected, float):
        tolerance = 2e-5 if function in ("elapsed", "since") else 1e-3 / span_s + 1e-9
        return isinstance(came, float) and came == pytest.approx(expected, abs=tolerance)
    return came is expected


def check(function: str, span_s: float, start: float, story: list[tuple[float, Value]]) -> None:
    memory, watched = Memory(), window(function, span_s)
    at = start
    for step, value in story:
        at += step * span_s
        memory.take(at, value)
        watched.update(at, value)
        came = watched.value(at)
        event(f"{function} {type(came).__name__}")
        # What is known of half the window to the microsecond may count as known or not.
        on_the_edge = any(
            abs(memory.known_s(s, at) - span_s / 2) < 1e-5 * max(1.0, span_s)
            for s in begins(at, span_s)
        )
        assert on_the_edge or any(
            agrees(came, function, memory, s, span_s) for s in begins(at, span_s)
        ), (function, span_s, came, memory.samples)


@pytest.mark.parametrize("function", ["mean", "highest", "lowest", "slope", "changed"])
@settings(STEADY, max_examples=100)
@given(st.sampled_from(SPANS_S), STARTS, stories(LEVELS))
def test_numbers_against_brute_force(
    function: str, span_s: float, start: float, story: list[tuple[float, Value]]
) -> None:
    check(function, span_s, start, story)


@pytest.mark.parametrize("function", ["count", "elapsed", "since", "changed"])
@settings(STEADY, max_examples=100)
@given(st.sampled_from(SPANS_S), STARTS, stories(TRUTHS))
def test_truths_against_brute_force(
    function: str, span_s: float, start: float, story: list[tuple[float, Value]]
) -> None:
    check(function, span_s, start, story)


@pytest.mark.long
@pytest.mark.parametrize("function", sorted(FUNCTIONS))
@settings(STEADY, max_examples=1000)
@given(st.sampled_from(SPANS_S), STARTS, st.data())
def test_brute_force_at_length(
    function: str, span_s: float, start: float, data: st.DataObject
) -> None:
    values = TRUTHS if function in ("count", "elapsed", "since") else LEVELS
    check(function, span_s, start, data.draw(stories(values)))


def test_changes_of_words_and_lists_of_words() -> None:
    changed = window("changed", HOUR)
    for minutes, events in ((0, ("OVER_VOLT",)), (30, ("OVER_VOLT",)), (61, ("OVER_VOLT",))):
        changed.update(NOON + 60 * minutes, events)
    assert changed.value(NOON + 61 * 60) is False
    changed = window("changed", HOUR, json.loads(json.dumps(changed.snapshot())))
    changed.update(NOON + 62 * 60, ("OVER_VOLT",))
    assert changed.value(NOON + 62 * 60) is False
    changed.update(NOON + 63 * 60, ())
    assert changed.value(NOON + 63 * 60) is True


# --- snapshot, time, memory ---


@settings(STEADY, max_examples=150)
@given(st.sampled_from(sorted(FUNCTIONS)), st.sampled_from(SPANS_S), STARTS, st.data())
def test_a_snapshot_goes_on_as_if_nothing_had_been(
    function: str, span_s: float, start: float, data: st.DataObject
) -> None:
    values = TRUTHS if function in ("count", "elapsed", "since") else LEVELS
    story = data.draw(stories(values))
    restart = data.draw(st.integers(0, len(story)))
    through, restarted = window(function, span_s), window(function, span_s)
    at = start
    for number, (step, value) in enumerate(story):
        if number == restart:
            state = json.loads(json.dumps(restarted.snapshot()))
            restarted = window(function, span_s, state)
        at += step * span_s
        for each in (through, restarted):
            each.update(at, value)
        assert restarted.value(at) == through.value(at)
    assert restarted.snapshot() == through.snapshot()


@settings(STEADY, max_examples=150)
@given(
    st.sampled_from(sorted(FUNCTIONS)),
    st.sampled_from(SPANS_S),
    st.lists(st.tuples(st.floats(-1, 1), TRUTHS), min_size=1),
)
def test_time_that_runs_backward_stands_still(
    function: str, span_s: float, story: list[tuple[float, Value]]
) -> None:
    wild, tame = window(function, span_s), window(function, span_s)
    at = latest = NOON
    for step, value in story:
        at += step * span_s
        latest = max(latest, at) if tame.snapshot()["last_at"] is not None else at
        wild.update(at, value)
        tame.update(latest, value)
        assert wild.value(at) == tame.value(latest)
    assert wild.snapshot() == tame.snapshot()


@pytest.mark.parametrize("function", sorted(FUNCTIONS))
def test_time_that_stands_still_counts_for_nothing(function: str) -> None:
    still = window(function, 60.0)
    for turn in range(1000):
        still.update(NOON, turn % 2 == 0)
    expected = {"count": 499.0, "elapsed": 0.0, "since": 0.0, "changed": True}
    assert still.value(NOON) == expected.get(function)


def test_memory_is_bounded() -> None:
    rng = random.Random(802)
    watched = window("mean", HOUR)
    at = NOON
    most = 0
    for _ in range(100_000):
        at += rng.choice((0.0, 0.2, 1.0, 1.0, 5.0, 40.0))
        watched.update(at, rng.gauss(3.4, 0.1))
        most = max(most, len(watched._pieces.numbers))
    assert most <= BUCKETS + 2
    assert len(json.dumps(watched.snapshot())) < 40_000
    assert watched.value(at) == pytest.approx(3.4, abs=0.05)


def test_a_long_silence_costs_no_more_than_a_window() -> None:
    watched = window("mean", 60.0)
    watched.update(NOON, 5.0)
    watched.update(NOON + 1e9, 5.0)  # 31 years
    assert len(watched.snapshot()["buckets"]) <= BUCKETS + 2
    assert watched.value(NOON + 1e9) == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("function", "expected"),
    [
        ("mean", 27.45),
        ("highest", 34.9),
        ("lowest", 20.0),
        ("slope", 0.1 / 10 * 86400),
        ("count", 1.0),
        ("changed", True),
        ("elapsed", 15 * 4.0),
        ("since", 20.0),
    ],
)
def test_a_window_saved_with_all_numbers_of_its_pieces_goes_on(
    function: str, expected: Value
) -> None:
    """As watchd 0.1 saved it, the same for all functions: 150 of 240 pieces, 10 s each."""
    rows = []
    for k in range(150):
        x, first = 20 + 0.1 * k, int(NOON) // 10
        rows.append(
            [
                first + k,
                10.0,
                10 * x,
                1,
                0.0,
                x,
                x,
                x,
                int(k == 3),
                4.0 * (k % 10 == 0),
                int(k == 5),
            ]
        )
    end = NOON + 1500
    state = {"buckets": rows, "last_at": end, "first_at": NOON, "last_true_at": end - 20}
    loaded = window(function, 2400.0, {**state, "last": None, "known": False})
    assert loaded.value(end) == pytest.approx(expected)
    again = window(function, 2400.0, json.loads(json.dumps(loaded.snapshot())))
    assert again.value(end) == loaded.value(end)
    # What was counted leaves the window with its piece.
    later = NOON + 60 + 2400
    left = {"elapsed": 14 * 4.0, "since": 980.0, "count": 0.0, "changed": False}
    if function in left:
        assert again.value(later) == left[function]


def test_memory_of_a_window_is_what_its_function_needs() -> None:
    full = window("count", HOUR)
    for second in range(7200):
        full.update(NOON + second, second % 60 == 0)
    assert len(full.snapshot()["buckets"]) == 60  # those with a rise
    assert {len(row) for row in full.snapshot()["buckets"]} == {2}
