"""How long a condition has held, for delays and `full_hold`."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchd.language.hold import Hold

NOON = 1_790_000_000.0
STEADY = settings(deadline=None, derandomize=True, database=None)

# Seconds after noon and the condition then; after how many seconds a delay of 120 s is reached.
STORIES: list[tuple[str, list[tuple[int, bool | None]], int | None]] = [
    ("holds from the start", [(0, True), (60, True), (119, True), (120, True)], 120),
    ("one look at the end is enough", [(0, True), (120, True)], 120),
    ("a moment of false starts again", [(0, True), (100, False), (101, True), (220, True)], None),
    ("and then holds", [(0, True), (100, False), (101, True), (221, True)], 221),
    ("unknown stands still", [(0, True), (60, None), (160, True), (200, True), (220, True)], 220),
    ("what is unknown at first does not count", [(0, None), (100, True), (200, True)], None),
    ("never while unknown", [(0, True), (119, True), (130, None), (500, None)], None),
    ("at once when known again", [(0, True), (125, None), (500, True)], 500),
    ("false after unknown starts again", [(0, True), (60, None), (70, False), (80, True)], None),
    ("time that runs backward does not count", [(0, True), (60, True), (30, True)], None),
    ("time that stands still does not count", [(0, True), *[(60, True)] * 50], None),
]


@pytest.mark.parametrize(
    ("looks", "reached_at"), [s[1:] for s in STORIES], ids=[s[0] for s in STORIES]
)
def test_when_a_delay_of_two_minutes_is_reached(
    looks: list[tuple[int, bool | None]], reached_at: int | None
) -> None:
    hold = Hold()
    found = None
    for seconds, condition in looks:
        hold.update(NOON + seconds, condition)
        if found is None and hold.reached(120):
            found = seconds
    assert found == reached_at


def test_no_delay_is_reached_at_the_first_true() -> None:
    hold = Hold()
    assert not hold.reached(0)
    hold.update(NOON, True)
    assert hold.reached(0)
    hold.update(NOON + 1, None)
    assert not hold.reached(0)


def test_when_it_will_be_due() -> None:
    hold = Hold()
    assert hold.due_at(120) is None
    hold.update(NOON, True)
    hold.update(NOON + 50, True)
    assert hold.due_at(120) == NOON + 120
    hold.update(NOON + 60, None)
    assert hold.due_at(120) is None  # it stands still, so no time can be named
    hold.update(NOON + 500, True)
    assert hold.due_at(120) == NOON + 560
    hold.update(NOON + 900, True)
    assert hold.due_at(120) == NOON + 900  # due already


@pytest.mark.parametrize("tenths", range(1, 31))
def test_rounding_misses_no_delay(tenths: int) -> None:
    # Unix seconds in floats lie 0.24 µs apart: noon + 0.7 s is a little before it.
    hold = Hold()
    for tenth in range(tenths + 1):
        hold.update(NOON + tenth / 10, True)
    assert hold.reached(tenths / 10)
    assert not hold.reached(tenths / 10 + 0.01)


def test_clear_starts_from_nothing() -> None:
    hold = Hold()
    hold.update(NOON, True)
    hold.update(NOON + 300, True)
    hold.clear()
    assert not hold.reached(0)
    hold.update(NOON + 400, True)
    assert not hold.reached(1)
    hold.update(NOON + 401, True)
    assert hold.reached(1)


LOOKS = st.lists(st.tuples(st.integers(0, 300), st.sampled_from([True, False, None])), max_size=30)


@settings(STEADY, max_examples=150)
@given(LOOKS, st.integers(0, 200), st.integers(0, 30))
def test_any_story_and_a_restart_in_it(
    looks: list[tuple[int, bool | None]], delay_s: int, restart: int
) -> None:
    hold = Hold()
    now, held, before = 0, 0, None
    for number, (step, condition) in enumerate(looks):
        if number == restart:
            hold = Hold(json.loads(json.dumps(hold.snapshot())))
        now += step
        hold.update(NOON + now, condition)
        # On paper: whole seconds since the last false, without those that began unknown.
        held = 0 if condition is False else held + (step if before is True else 0)
        before = condition
        assert hold.reached(delay_s) == (condition is True and held >= delay_s)
