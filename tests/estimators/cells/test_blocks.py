"""Stretches of nearly constant current."""

from __future__ import annotations

import json
from collections.abc import Sequence

import pytest

from tests.estimators.moment import START
from watchd.estimators.cells.blocks import Block, Blocks, is_one_moment

Readings = Sequence[tuple[float, tuple[float, ...], float]]


def through(readings: Readings) -> list[Block]:
    blocks = Blocks(60.0, 4.0)
    found = [blocks.take(*reading) for reading in readings]
    return [block for block in found if block is not None]


def test_a_block_is_a_minute_of_means() -> None:
    readings = [(10.0 * k, (3.3 + 0.001 * (k % 2), 3.2), 20.0 + k % 2) for k in range(7)]
    (block,) = through(readings)
    assert block.cell_v == pytest.approx([3.3005, 3.2])
    assert (block.current_a, block.samples, block.at) == (20.5, 6, 25.0)


def test_a_step_of_current_ends_it() -> None:
    """Both sides of the step stay apart."""
    steps = [(0.0, (3.3,), 20.0), (10.0, (3.3,), 23.9), (20.0, (3.31,), 26.0), (90.0, (3.3,), 0.0)]
    first, second = through(steps)
    assert first.current_a == pytest.approx(21.95)
    assert first.samples == 2
    assert (second.current_a, second.cell_v, second.at) == (26.0, [3.31], 20.0)


def test_what_is_dropped_is_in_no_block() -> None:
    blocks = Blocks(60.0, 4.0)
    blocks.take(0.0, (9.9,), 20.0)
    blocks.drop()
    assert blocks.take(10.0, (3.3,), 20.0) is None
    found = blocks.take(80.0, (3.3,), 20.0)
    assert found is not None
    assert found.cell_v == [3.3]


def test_a_restart_within_a_block_changes_nothing() -> None:
    blocks = Blocks(60.0, 4.0)
    for k in range(4):
        blocks.take(10.0 * k, (3.3 + 0.001 * k,), 20.0 + k)
    again = Blocks(60.0, 4.0, json.loads(json.dumps(blocks.snapshot())))
    assert again.take(70.0, (3.3,), 20.0) == blocks.take(70.0, (3.3,), 20.0)


@pytest.mark.parametrize(("apart_s", "one"), [(0.0, True), (5.0, True), (-5.0, True), (5.1, False)])
def test_one_moment_is_within_the_limit(apart_s: float, one: bool) -> None:
    measured_at = {"cell_v": START, "current_a": START + apart_s}
    assert is_one_moment(measured_at, 5.0) is one
