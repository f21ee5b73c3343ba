"""Minutes and days against numpy, whatever the samples and however they were cut into blocks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.history.measurements import MIDNIGHT, any_rows, day
from watchd.history.columns import Columns, Row
from watchd.history.fold import Fold, joined_minutes
from watchd.history.recorder import day_of
from watchd.history.summaries import (
    CellPeak,
    Day,
    Extent,
    Minute,
    pack_day,
    pack_minutes,
    unpack_day,
    unpack_minutes,
)

STEADY = settings(deadline=None, derandomize=True, database=None, max_examples=100)
DAY = 86_400
# Rows of one day with anything unknown.
of_a_day = any_rows(30).map(
    lambda rows: sorted(
        (Row(MIDNIGHT + r.at % 1200, *_values(r)) for r in rows), key=lambda r: r.at
    )
)


def _values(row: Row) -> list[Any]:
    return [
        row.voltage_v,
        row.current_a,
        row.soc_pct,
        row.soc_estimate_pct,
        row.cell_v,
        row.temperature_degc,
    ]


def kept(rows: Sequence[Row]) -> Columns:
    """As they come out of a block."""
    return Columns.unpacked(Columns.of(rows).packed())


def folded(*blocks: Sequence[Row], before: Sequence[Row] = ()) -> Fold:
    found = Fold(day_of(MIDNIGHT), kept(before) if before else None)
    for block in blocks:
        found.take(kept(block))
    return found


def position(rows: Sequence[Row], name: str, index: int) -> list[float]:
    found = [getattr(r, name) for r in rows]
    if name in ("voltage_v", "current_a"):
        return [v for v in found if v is not None]
    return [v[index] for v in found if v is not None and len(v) > index]


def is_extent(found: Extent | None, values: list[float]) -> None:
    if not values:
        assert found is None
        return
    assert found is not None
    assert found.count == len(values)
    assert found.mean == pytest.approx(np.mean(values), rel=1e-9, abs=1e-9)
    assert (found.lowest, found.highest) == (np.min(values), np.max(values))


def is_of(found: Minute, rows: Sequence[Row]) -> None:
    assert found.samples == len(rows)
    is_extent(found.voltage_v, position(rows, "voltage_v", 0))
    is_extent(found.current_a, position(rows, "current_a", 0))
    for name in ("cell_v", "temperature_degc"):
        extents = getattr(found, name)
        assert len(extents) >= max((len(getattr(r, name) or ()) for r in rows), default=0)
        for index, extent in enumerate(extents):
            is_extent(extent, position(rows, name, index))
    for name in ("soc_pct", "soc_estimate_pct"):
        known = [v for r in rows if (v := getattr(r, name)) is not None]
        assert getattr(found, name) == (known[-1] if known else None)


@STEADY
@given(of_a_day, st.lists(st.integers(0, 30), max_size=3))
def test_minutes_and_day_are_those_of_the_samples(rows: list[Row], cuts: list[int]) -> None:
    ends = sorted(min(c, len(rows)) for c in cuts)
    blocks = [rows[a:b] for a, b in zip([0, *ends], [*ends, len(rows)], strict=True)]
    fold = folded(*blocks)
    exact = list(kept(rows).rows())
    minutes = fold.minutes()
    assert [m.at for m in minutes] == sorted({r.at // 60 * 60 for r in exact})
    for minute in minutes:
        is_of(minute, [r for r in exact if r.at // 60 * 60 == minute.at])
    found = fold.day()
    if not rows:
        assert found is None
        return
    assert found is not None
    assert found.at == MIDNIGHT
    is_of(found.whole, exact)
    cells = [(v, n, r.at) for r in exact for n, v in enumerate(r.cell_v or (), 1)]
    for peak, choose in ((found.highest, max), (found.lowest, min)):
        if not cells:
            assert peak is None
            continue
        assert peak is not None
        assert peak.cell_v == choose(v for v, _, _ in cells)
        assert (peak.cell_v, peak.cell_no, peak.at) in cells


@STEADY
@given(of_a_day, st.integers(0, 30))
def test_what_comes_later_is_joined_as_if_it_had_come_at_once(rows: list[Row], cut: int) -> None:
    first, second = rows[:cut], rows[cut:]
    at_once, early, late = folded(rows), folded(first), folded(second, before=first)
    minutes = joined_minutes(early.minutes(), late.minutes())
    assert len(minutes) == len(at_once.minutes())
    for one, other in zip(minutes, at_once.minutes(), strict=True):
        same_minute(one, other)
    early_day, late_day = early.day(), late.day()
    if early_day is not None and late_day is not None:
        found, wanted = early_day.joined(late_day), at_once.day()
        assert wanted is not None
        same_minute(found.whole, wanted.whole)
        assert found.through.in_ah == pytest.approx(wanted.through.in_ah, abs=1e-9)
        assert found.through.out_wh == pytest.approx(wanted.through.out_wh, abs=1e-9)
        assert found.through.counted_s == pytest.approx(wanted.through.counted_s, abs=1e-6)
        assert (found.highest, found.lowest) == (wanted.highest, wanted.lowest) or not equal_peaks(
            rows
        )


def equal_peaks(rows: Sequence[Row]) -> bool:
    values = [v for r in kept(rows).rows() for v in r.cell_v or ()]
    return bool(values) and values.count(max(values)) == 1 == values.count(min(values))


def same_minute(one: Minute, other: Minute) -> None:
    assert (one.at, one.samples, one.soc_pct) == (other.at, other.samples, other.soc_pct)
    for a, b in zip(
        (one.voltage_v, one.current_a, *one.cell_v, *one.temperature_degc),
        (other.voltage_v, other.current_a, *other.cell_v, *other.temperature_degc),
        strict=True,
    ):
        if a is None or b is None:
            assert a is b
        else:
            assert (a.count, a.lowest, a.highest) == (b.count, b.lowest, b.highest)
            assert a.mean == pytest.approx(b.mean, abs=1e-9)


@STEADY
@given(of_a_day)
def test_kept_and_read_again(rows: list[Row]) -> None:
    fold = folded(rows)
    minutes = unpack_minutes(pack_minutes(fold.minutes()))
    for found, wanted in zip(minutes, fold.minutes(), strict=True):
        same_within(found, wanted)
    day_of_it = fold.day()
    if day_of_it is not None:
        again = unpack_day(pack_day(day_of_it))
        same_within(again.whole, day_of_it.whole)
        assert (again.highest, again.lowest) == (day_of_it.highest, day_of_it.lowest)
        assert again.through.in_ah == pytest.approx(day_of_it.through.in_ah, abs=0.0006)
        assert again.through.out_wh == pytest.approx(day_of_it.through.out_wh, abs=0.0006)


def same_within(found: Minute, wanted: Minute) -> None:
    """The extremes exactly, the means within the resolution."""
    assert (found.at, found.samples) == (wanted.at, wanted.samples)
    assert (found.soc_pct, found.soc_estimate_pct) == (wanted.soc_pct, wanted.soc_estimate_pct)
    for name, within in (("voltage_v", 5e-4), ("current_a", 5e-4)):
        near(getattr(found, name), getattr(wanted, name), within)
    for name, within in (("cell_v", 5e-5), ("temperature_degc", 0.05)):
        for a, b in zip(getattr(found, name), getattr(wanted, name), strict=False):
            near(a, b, within)


def near(found: Extent | None, wanted: Extent | None, within: float) -> None:
    if found is None or wanted is None:
        assert found is wanted
        return
    assert (found.count, found.lowest, found.highest) == (
        wanted.count,
        wanted.lowest,
        wanted.highest,
    )
    assert found.mean == pytest.approx(wanted.mean, abs=within * 1.001)


def test_charge_goes_on_over_midnight() -> None:
    before = [Row(MIDNIGHT - 60, voltage_v=50.0, current_a=36.0)]
    rows = [Row(MIDNIGHT, voltage_v=50.0, current_a=36.0)]
    assert whole(folded(rows)).through.in_ah == 0
    assert whole(folded(rows, before=before)).through.in_ah == pytest.approx(0.6)


def whole(fold: Fold) -> Day:
    found = fold.day()
    assert found is not None
    return found


def test_the_cells_that_stood_out_are_found_in_any_block() -> None:
    volts = [(3.30, 3.31), (3.35, 3.29), (3.28, 3.36), (3.28, 3.36), (3.30, 3.30)]
    rows = [Row(MIDNIGHT + 100 * n, cell_v=pair) for n, pair in enumerate(volts)]
    for blocks in ([rows], [[row] for row in rows], [rows[:2], rows[2:]]):
        found = whole(folded(*blocks))
        assert found.highest == CellPeak(3.36, 2, MIDNIGHT + 200), "the first of those equal"
        assert found.lowest == CellPeak(3.28, 1, MIDNIGHT + 200)


def test_a_day_is_small_and_its_minutes_too() -> None:
    rows = list(day(6 * 3600, every=2))
    fold = folded(*(rows[n : n + 600] for n in range(0, len(rows), 600)))
    minutes = fold.minutes()
    assert len(minutes) == 360
    # Of four packs at most 70 MB a year.
    assert len(pack_minutes(minutes)) / 360 < 70_000_000 / (4 * 365 * 1440)
    assert len(pack_day(whole(fold))) < 500
