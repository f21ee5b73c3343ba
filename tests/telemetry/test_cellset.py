"""Cells that come one by one: never a set of half the old burst and half the new one."""

from __future__ import annotations

import json
import random

from hypothesis import given, settings
from hypothesis import strategies as st

from watchd.telemetry.cellset import CellCollector, CellSet

CELLS = 16
WITHIN_S = 5.0


def bursts(
    *,
    rounds: int,
    period_s: float,
    takes_s: float,
    join_at: int,
    jitter_s: float = 0.0,
    seed: int = 0,
) -> list[tuple[int, float, float]]:
    """(cell, volts, time) of a bridge that sends its cells in bursts; the volts are the round's
    number, so that a mixed set shows. Listening begins with the cell `join_at` of round 0.
    """
    chance = random.Random(seed)
    out = []
    for number in range(rounds):
        for cell in range(CELLS):
            at = number * period_s + takes_s * cell / CELLS + chance.uniform(0, jitter_s)
            if number or cell >= join_at:
                out.append((cell, float(number), at))
    return sorted(out, key=lambda entry: entry[2])


def sets_of(entries: list[tuple[int, float, float]]) -> list[CellSet]:
    collector = CellCollector(CELLS, WITHIN_S)
    return [found for entry in entries if (found := collector.add(*entry)) is not None]


def test_a_pack_whose_cells_take_three_seconds_gives_one_whole_set_a_burst() -> None:
    found = sets_of(bursts(rounds=5, period_s=10, takes_s=3, join_at=0))
    assert [set(s.cell_v) for s in found] == [{0.0}, {1.0}, {2.0}, {3.0}, {4.0}]
    assert [s.at for s in found] == [0.0, 10.0, 20.0, 30.0, 40.0]


@settings(deadline=None, derandomize=True)
@given(
    join_at=st.integers(0, CELLS - 1),
    period_s=st.sampled_from([1.0, 2.0, 5.0, 10.0, 60.0]),
    takes_part=st.sampled_from([0.02, 0.1, 0.3, 0.5]),
    seed=st.integers(0, 99),
)
def test_joining_in_the_middle_of_a_burst_never_mixes_two(
    join_at: int, period_s: float, takes_part: float, seed: int
) -> None:
    takes_s = min(3.0, takes_part * period_s)
    # A jitter as large as the step between two cells: their order changes from burst to burst.
    jitter_s = takes_s / CELLS
    entries = bursts(
        rounds=8, period_s=period_s, takes_s=takes_s, join_at=join_at, jitter_s=jitter_s, seed=seed
    )
    found = sets_of(entries)
    assert all(len(set(s.cell_v)) == 1 for s in found)
    assert len(found) >= 6  # at most the first burst, and one to find the pause, are lost


@settings(deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.integers(0, CELLS - 1), st.floats(0.0, 3.0)), max_size=400))
def test_whatever_comes_a_set_is_of_new_cells_within_its_bound(
    steps: list[tuple[int, float]],
) -> None:
    collector, at, newest, last_sets = CellCollector(CELLS, WITHIN_S), 0.0, {}, -1.0
    for cell, wait_s in steps:
        at += wait_s
        newest[cell] = at
        found = collector.add(cell, at, at)  # the volts are the time
        if found is not None:
            assert list(found.cell_v) == [newest[i] for i in range(CELLS)]
            assert max(found.cell_v) - min(found.cell_v) <= WITHIN_S
            assert min(found.cell_v) == found.at > last_sets
            last_sets = max(found.cell_v)


def test_cells_without_a_pause_between_rounds_still_give_sets_within_the_bound() -> None:
    found = sets_of(bursts(rounds=10, period_s=1.6, takes_s=1.6, join_at=5))
    assert len(found) >= 9
    assert all(max(s.cell_v) - min(s.cell_v) <= 1 for s in found)


def test_cells_that_trickle_in_slower_than_the_bound_give_no_set() -> None:
    """One cell a second: when the last has come, the first is 15 s old."""
    assert sets_of(bursts(rounds=5, period_s=16, takes_s=16, join_at=0)) == []


def test_a_cell_that_stays_away_withholds_the_set() -> None:
    entries = [e for e in bursts(rounds=5, period_s=10, takes_s=3, join_at=0) if e[0] != 11]
    assert sets_of(entries) == []


def test_a_collector_goes_on_from_its_snapshot() -> None:
    entries = bursts(rounds=4, period_s=10, takes_s=3, join_at=9)
    whole, found, expected = CellCollector(CELLS, WITHIN_S), [], sets_of(entries)
    for cell, volts, at in entries:
        state = json.loads(json.dumps(whole.snapshot()))
        whole = CellCollector(CELLS, WITHIN_S, state)
        found.append(whole.add(cell, volts, at))
    assert [f for f in found if f is not None] == expected
