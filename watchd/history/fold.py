"""Blocks of one pack and day, folded into its minutes and the day; block by block, so that whoever
does it can pause between two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from watchd.history.charge import Counter
from watchd.history.columns import (
    CELL,
    CURRENT,
    SOC,
    TEMPERATURE,
    TENTHS,
    VOLTAGE,
    Column,
    Columns,
)
from watchd.history.recorder import DAY_S
from watchd.history.summaries import MINUTE_S, CellPeak, Day, Extent, Minute

_PER_MINUTE = MINUTE_S * TENTHS


class Fold:
    """Takes blocks in the order in which they came; `minutes` and `day` give the result."""

    def __init__(self, day: int, before: Columns | None = None, *, with_cells: bool = True) -> None:
        """`before`: the block before the first, from whose last row the charge is counted on.

        Without cells and sensors the minutes of a day take a tenth of the memory.
        """
        self._day, self._with_cells = day, with_cells
        self._minutes: dict[int, Minute] = {}
        # Of the lowest and highest of all minutes few are different; each is held once.
        self._shared: dict[float, float] = {}
        self._highest: CellPeak | None = None
        self._lowest: CellPeak | None = None
        last = None
        if before is not None and before.at:
            last = (
                before.at[-1] / TENTHS,
                before.voltage.singles(VOLTAGE)[-1],
                before.current.singles(CURRENT)[-1],
            )
        self._counter = Counter(last)

    def take(self, block: Columns) -> None:
        """One more block."""
        at = block.at
        self._counter.take(
            [t / TENTHS for t in at],
            block.voltage.singles(VOLTAGE),
            block.current.singles(CURRENT),
        )
        begin = 0
        while begin < len(at):
            minute = at[begin] // _PER_MINUTE
            end = begin + 1
            while end < len(at) and at[end] // _PER_MINUTE == minute:
                end += 1
            self._add(_minute(block, minute, begin, end, self._shared, with_cells=self._with_cells))
            begin = end
        self._see_cells(block)

    def minutes(self) -> list[Minute]:
        """The minutes in the order of time."""
        return [self._minutes[at] for at in sorted(self._minutes)]

    def day(self) -> Day | None:
        """The day; None where nothing was taken."""
        minutes = self.minutes()
        if not minutes:
            return None
        whole = replace(minutes[0], at=float(self._day * DAY_S))
        for minute in minutes[1:]:
            whole = whole.joined(minute)
        return Day(whole, self._counter.result(), self._highest, self._lowest)

    def _see_cells(self, block: Columns) -> None:
        """The highest and the lowest cell so far: the first of those that are equal."""
        cells = [(no, values) for no, values in enumerate(block.cell.series, 1) if values]
        if not cells:
            return
        volts, no = max((max(values), -no) for no, values in cells)
        if self._highest is None or volts / CELL > self._highest.cell_v:
            self._highest = _peak(block, volts, -no)
        volts, no = min((min(values), no) for no, values in cells)
        if self._lowest is None or volts / CELL < self._lowest.cell_v:
            self._lowest = _peak(block, volts, no)

    def _add(self, minute: Minute) -> None:
        at = int(minute.at)
        before = self._minutes.get(at)
        self._minutes[at] = minute if before is None else before.joined(minute)


def joined_minutes(kept: Sequence[Minute], later: Sequence[Minute]) -> list[Minute]:
    """Minutes that were kept, with those that came later, in the order of time."""
    found = {m.at: m for m in kept}
    for minute in later:
        before = found.get(minute.at)
        found[minute.at] = minute if before is None else before.joined(minute)
    return [found[at] for at in sorted(found)]


def _minute(
    block: Columns,
    minute: int,
    begin: int,
    end: int,
    shared: dict[float, float],
    *,
    with_cells: bool,
) -> Minute:
    def of(column: Column, per_unit: int) -> tuple[Extent | None, ...]:
        return _extents(column, per_unit, begin, end, shared)

    voltage, current = of(block.voltage, VOLTAGE), of(block.current, CURRENT)
    return Minute(
        float(minute * MINUTE_S),
        end - begin,
        voltage[0] if voltage else None,
        current[0] if current else None,
        of(block.cell, CELL) if with_cells else (),
        of(block.temperature, TEMPERATURE) if with_cells else (),
        _last(block.soc, begin, end),
        _last(block.soc_estimate, begin, end),
    )


def _extents(
    column: Column, per_unit: int, begin: int, end: int, shared: dict[float, float]
) -> tuple[Extent | None, ...]:
    found: list[Extent | None] = []
    for index in range(len(column.series)):
        known = [v for v in column.position(index)[begin:end] if v is not None]
        if known:
            mean = sum(known) / len(known) / per_unit
            low, high = min(known) / per_unit, max(known) / per_unit
            low, high = shared.setdefault(low, low), shared.setdefault(high, high)
            found.append(Extent(len(known), mean, low, high))
        else:
            found.append(None)
    while found and found[-1] is None:
        found.pop()
    return tuple(found)


def _last(column: Column, begin: int, end: int) -> float | None:
    if not column.series:
        return None
    known = [v for v in column.position(0)[begin:end] if v is not None]
    return known[-1] / SOC if known else None


def _peak(block: Columns, volts: int, cell_no: int) -> CellPeak:
    place = block.cell.position(cell_no - 1).index(volts)
    return CellPeak(volts / CELL, cell_no, block.at[place] / TENTHS)
