"""A pack's own rhythm: what is learned of it, and when silence breaks it."""

from __future__ import annotations

import json
from collections.abc import Iterable
from itertools import accumulate
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.estimators.moment import sample, setting
from watchd.estimators.quality.rhythm import FOLLOWED, Rhythm
from watchd.figures import Figures

DAY = 86400.0
CELLS = {"cell_v": (3.3,) * 16, "renewed": frozenset({"cell_v", "current_a"})}


class Pack:
    """The rhythm of one pack, and the mapping in which its figures stay."""

    def __init__(self, saved: dict[str, Any] | None = None) -> None:
        self.rhythm, self.figures = Rhythm(setting(), saved), Figures()

    def snapshot(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(json.dumps(self.rhythm.snapshot()))
        return found

    def restarted(self) -> Pack:
        return Pack(self.snapshot())


def look(pack: Pack, at: float, **known: Any) -> Figures:
    pack.rhythm.update(sample(at, **known), pack.figures)
    return dict(pack.figures)


def came(rhythm: Pack, intervals: Iterable[float], begin: float = 0.0) -> float:
    """Cells come after each interval; the time of the last."""
    at = begin
    for at in accumulate(intervals, initial=begin):
        look(rhythm, at, **CELLS)
    return at


def test_it_is_withheld_until_twenty_intervals_were_seen() -> None:
    rhythm = Pack()
    last = came(rhythm, [10.0] * 19)
    figures = look(rhythm, last + 5, current_a=1.0)
    assert figures["telemetry_rhythm_s"] is None
    assert figures["telemetry_missed"] is None
    last = came(rhythm, [], last + 10)
    figures = look(rhythm, last + 5, cell_v=(3.3,) * 16)
    assert figures["telemetry_rhythm_s"] == pytest.approx(10)
    assert figures["telemetry_missed"] == 0


@pytest.mark.parametrize(("after_s", "missed"), [(0, 0), (9.9, 0), (10, 1), (19, 1), (305, 30)])
def test_missed_counts_whole_intervals_since_the_last(after_s: float, missed: int) -> None:
    rhythm = Pack()
    last = came(rhythm, [10.0] * 30)
    assert look(rhythm, last + after_s, current_a=1.0)["telemetry_missed"] == missed


def test_the_rhythm_is_no_mean_that_a_pause_spoils() -> None:
    rhythm = Pack()
    last = came(rhythm, [10.0] * 15 + [7200.0] + [10.0] * 10 + [7200.0] + [10.0])
    assert look(rhythm, last, **CELLS)["telemetry_rhythm_s"] == pytest.approx(10, rel=0.015)


def test_the_rhythm_follows_another_setting_of_the_bridge() -> None:
    rhythm = Pack()
    last = came(rhythm, [10.0] * 100 + [30.0] * 300)
    assert look(rhythm, last)["telemetry_rhythm_s"] == pytest.approx(30, rel=0.01)


def test_time_in_which_nobody_watched_is_no_interval() -> None:
    rhythm = Pack()
    last = came(rhythm, [10.0] * 40)
    look(rhythm, last + 5)  # nothing known, nothing overdue: so arrives a pause
    figures = look(rhythm, last + 2 * DAY)
    assert figures["telemetry_missed"] is None
    assert figures["telemetry_silent"] is False
    came(rhythm, [10.0] * 3, last + 2 * DAY)
    assert rhythm.snapshot()["watched_s"] == 430
    assert max(rhythm.snapshot()["longest"]) == 10


def test_the_measurement_that_rules_rest_on_is_followed() -> None:
    """A current each second, and cells each 30 s."""
    rhythm = Pack()
    for second in range(1200):
        more = CELLS if second % 30 == 0 else {"renewed": frozenset({"current_a"})}
        look(rhythm, second, current_a=5.0, **{"cell_v": (3.3,) * 16, **more})
    assert look(rhythm, 1200)["telemetry_rhythm_s"] == pytest.approx(30)


def test_two_messages_of_one_moment_are_one() -> None:
    rhythm = Pack()
    last = came(rhythm, [10.0, 0.0] * 30)
    assert look(rhythm, last, **CELLS)["telemetry_rhythm_s"] == pytest.approx(10)


def test_a_bridge_without_cells_has_a_rhythm_too() -> None:
    rhythm = Pack()
    for at in range(0, 300, 5):
        look(rhythm, at, soc_pct=50.0, renewed=frozenset({"soc_pct"}))
    assert look(rhythm, 300)["telemetry_rhythm_s"] == pytest.approx(5)


def regular(interval_s: float, days: float) -> tuple[Pack, float]:
    rhythm = Pack()
    return rhythm, came(rhythm, [interval_s] * round(days * DAY / interval_s))


@pytest.mark.parametrize(
    ("interval_s", "after_s", "silent"),
    [
        (60.0, 15 * 60 + 59, False),  # 15 missed
        (60.0, 16 * 60 + 1, True),
        (2.0, 60, False),  # more than 15 missed, but a minute is not long
        (2.0, 61, True),
    ],
)
def test_a_regular_pack_is_silent(interval_s: float, after_s: float, *, silent: bool) -> None:
    rhythm, last = regular(interval_s, 3.1)
    assert look(rhythm, last + after_s, current_a=1.0)["telemetry_silent"] is silent


def test_three_days_are_needed_to_call_a_pack_regular() -> None:
    rhythm, last = regular(60.0, 2.9)
    assert look(rhythm, last + 3600, current_a=1.0)["telemetry_silent"] is False


def test_a_pack_that_sends_on_change_is_never_called_silent() -> None:
    """Each second by day; at night its cells rest, and now and then one changes by a mV."""
    rhythm = Pack()
    last = 0.0
    for _ in range(5):
        last = came(rhythm, [5.0] * 8640 + [600.0, 900.0, 1500.0] * 14, last)
    for after_s in (100, 1000, 10_000):
        assert look(rhythm, last + after_s, current_a=0.0)["telemetry_silent"] is False


def test_after_an_outage_it_is_irregular_for_a_week() -> None:
    rhythm, last = regular(60.0, 4)
    last = came(rhythm, [3600.0], last)
    last = came(rhythm, [60.0] * (5 * 1440), last)
    assert look(rhythm, last + 3600, current_a=1.0)["telemetry_silent"] is False
    last = came(rhythm, [60.0] * (3 * 1440), last)
    assert look(rhythm, last + 3600, current_a=1.0)["telemetry_silent"] is True


def test_restarts_change_nothing() -> None:
    """One at every sample, over three days to an outage, and to one that comes too soon after."""
    intervals = [
        [10.0] * 15 + [25.0] + [10.0] * 9,
        [120.0] * 2200,
        [7200.0],
        [120.0] * 50,
        [7200.0],
    ]
    straight, restarted, at = Pack(), Pack(), 0.0
    seen = set()
    for interval_s in (i for part in intervals for i in part):
        for after_s, known in ((interval_s * 0.99, {"current_a": 1.0}), (interval_s, CELLS)):
            restarted = restarted.restarted()
            figures = look(straight, at + after_s, **known)
            assert figures == look(restarted, at + after_s, **known)
            seen.add(figures["telemetry_silent"])
        at += interval_s
    assert seen == {True, False}


STEPS = st.tuples(
    st.sampled_from([0.0, 0.001, 1.0, 10.0, 61.0, 3e3, 2e5]),
    st.frozensets(st.sampled_from([*FOLLOWED, "charge_allowed"]), max_size=3),
    st.booleans(),
)


@given(steps=st.lists(STEPS, max_size=70), cut=st.integers(0, 70))
def test_it_goes_on_from_a_snapshot_as_if_nothing_had_been(
    steps: list[tuple[float, frozenset[str], bool]], cut: int
) -> None:
    rhythm, again, at = Pack(), Pack(), 0.0
    for index, (step_s, renewed, overdue) in enumerate(steps):
        at += step_s
        if index == cut:
            again = again.restarted()
        known: dict[str, Any] = {"renewed": renewed, "overdue": ("cell_v",) if overdue else ()}
        if renewed:
            known["current_a"] = 1.0
        figures = look(rhythm, at, **known)
        assert figures == look(again, at, **known)
        missed = figures["telemetry_missed"]
        assert missed is None or (isinstance(missed, float) and missed >= 0)
    assert json.dumps(rhythm.snapshot()) == json.dumps(again.snapshot())
