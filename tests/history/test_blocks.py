"""A block gives back what went in, within the resolution; a damaged one is refused."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from contextlib import suppress
from itertools import islice
from math import inf, nan
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.history.measurements import MIDNIGHT, RESOLVED, any_rows, day
from watchd.history.columns import HEAD, Columns, Row
from watchd.history.series import DamagedBlockError
from watchd.history.summaries import unpack_day, unpack_minutes

STEADY = settings(deadline=None, derandomize=True, database=None, max_examples=150)
# 4 packs at 1 Hz in 6 MB a day.
MOST_BYTES_A_SAMPLE = 6_000_000 / (4 * 86_400)


def there_and_back(rows: Sequence[Row]) -> list[Row]:
    return list(Columns.unpacked(Columns.of(rows).packed()).rows())


def near(found: Any, given: Any, within: float) -> bool:
    if found is None or given is None:
        return found is given
    if isinstance(given, tuple):
        return len(found) == len(given) and all(map(near, found, given, [within] * len(given)))
    # A float near 1e3 adds its own last digit.
    return bool(abs(found - given) <= within + 1e-9)


@STEADY
@given(any_rows())
def test_there_and_back_within_the_resolution(rows: list[Row]) -> None:
    found = there_and_back(rows)
    assert len(found) == len(rows)
    for got, row in zip(found, rows, strict=True):
        assert 0 <= row.at - got.at < 0.1 + row.at * 1e-15
        for name, within in RESOLVED.items():
            assert near(getattr(got, name), getattr(row, name), within), name
        for name in ("charge_allowed", "discharge_allowed", "balancing", "protection"):
            assert getattr(got, name) == getattr(row, name), name


@STEADY
@given(any_rows())
def test_what_was_kept_once_is_kept_exactly(rows: list[Row]) -> None:
    once = there_and_back(rows)
    assert there_and_back(once) == once


def test_unknown_and_none_and_nothing_are_three_things() -> None:
    rows = [
        Row(MIDNIGHT, cell_v=None, protection=None, balancing=None),
        Row(MIDNIGHT + 1, cell_v=(), protection=(), balancing=False),
        Row(MIDNIGHT + 2, cell_v=(3.3,), protection=("OVER_VOLT",), balancing=True, soc_pct=0.0),
    ]
    assert there_and_back(rows) == rows


@pytest.mark.parametrize("odd", [nan, inf, -inf, 1e300])
def test_a_value_that_no_number_stands_for_is_unknown(odd: float) -> None:
    rows = [Row(MIDNIGHT, voltage_v=odd, cell_v=(3.3, odd)), Row(MIDNIGHT + 1, voltage_v=53.0)]
    assert there_and_back(rows) == [Row(MIDNIGHT), rows[1]]


def test_four_packs_at_one_a_second_fit_in_six_megabytes_a_day() -> None:
    rows = list(day(3600))
    size = sum(len(Columns.of(rows[n : n + 300]).packed()) for n in range(0, 3600, 300))
    assert size / len(rows) < 0.75 * MOST_BYTES_A_SAMPLE, "with room for a noisier sensor"
    rows = list(day(3600, noise=3))
    size = sum(len(Columns.of(rows[n : n + 300]).packed()) for n in range(0, 3600, 300))
    assert size / len(rows) < MOST_BYTES_A_SAMPLE


BLOCK = Columns.of([*islice(day(), 60), Row(MIDNIGHT + 61, protection=("OVER_VOLT",))]).packed()


@settings(STEADY, max_examples=400)
@given(st.data())
def test_damage_never_does_worse_than_the_exception(data: st.DataObject) -> None:
    block = bytearray(BLOCK)
    for _ in range(data.draw(st.integers(1, 4))):
        block[data.draw(st.integers(0, len(block) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(block)))
    for damaged in (bytes(block), bytes(block[:cut]), bytes(block) + b"more"):
        if damaged != BLOCK:
            with pytest.raises(DamagedBlockError):
                Columns.unpacked(damaged)


@settings(STEADY, max_examples=600)
@given(st.data())
def test_neither_does_damage_that_the_checksum_does_not_see(data: st.DataObject) -> None:
    body = bytearray(zlib.decompress(BLOCK[len(HEAD) :]))
    for _ in range(data.draw(st.integers(1, 4))):
        # Mostly where the form of things is said, not in the middle of the numbers.
        place = data.draw(st.integers(0, 200) | st.integers(0, len(body) - 1))
        body[place] = data.draw(st.integers(0, 255))
    body = body[: data.draw(st.integers(0, len(body)) | st.just(len(body)))]
    packed = zlib.compress(bytes(body))
    for head, unpack in (
        (HEAD, lambda block: list(Columns.unpacked(block).rows())),
        (b"m\x01", unpack_minutes),
        (b"d\x01", unpack_day),
    ):
        with suppress(DamagedBlockError):
            unpack(head + packed)


def test_a_block_of_another_kind_is_refused() -> None:
    for unpack in (unpack_minutes, unpack_day):
        with pytest.raises(DamagedBlockError, match="begins with"):
            unpack(BLOCK)


def test_more_cells_than_a_pack_can_have_do_no_harm() -> None:
    row = Row(MIDNIGHT, cell_v=(3.3,) * 1000)
    (found,) = there_and_back([row])
    assert found == row._replace(cell_v=(3.3,) * 64)
