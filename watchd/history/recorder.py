"""Samples as they come, gathered into blocks: of one pack and one UTC day, time only growing."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from typing import cast

from watchd.history.columns import TENTHS, Columns, Row, tenths
from watchd.watch.measured import Measured

DAY_S = 86_400
LONGEST_RUN = 1800  # rows: half an hour at 1 Hz, while the disk takes nothing
# Rows that nobody fetches, of all packs: about 15 MB, or five minutes of a row a second of each.
MOST_WAITING = 20_000
MOST_WAITING_A_PACK = 300
# The last samples of a day are on the disk by then (blocks are written every five minutes).
SETTLED_AFTER_S = 600


@dataclass(frozen=True, slots=True)
class SampleBlock:
    """A block of samples and what it holds. `day` counts from 1970-01-01."""

    pack: str
    day: int
    first_at: float
    last_at: float
    cells: int
    sensors: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Run:
    """Rows of a pack, of one day and in the order of time."""

    pack: str
    rows: list[Row]

    def block(self) -> SampleBlock:
        """Packed; a block of five minutes takes milliseconds, so not where others wait."""
        return block_of(self.pack, self.rows)


class Recorder:
    """Takes samples; within a second the newest stands for all (a bridge with one value a topic
    renews a pack twenty times). A clock that was set back begins a new block: nothing is lost.
    """

    def __init__(self) -> None:
        self._rows: dict[str, list[Row]] = {}
        self._ended: deque[Run] = deque()
        self._ended_rows = 0
        self._newest_at: float | None = None

    def take(self, samples: Iterable[Measured]) -> None:
        """Take some, in the order in which they came."""
        for measured in samples:
            self._newest_at = measured.at
            rows = self._rows.setdefault(measured.pack, [])
            row = row_of(measured)
            if rows:
                before_at = rows[-1].at
                second, last = tenths(row.at) // TENTHS, tenths(before_at) // TENTHS
                if second == last and row.at >= before_at:
                    rows[-1] = row
                    continue
                same_day = second // DAY_S == last // DAY_S
                if second <= last or not same_day or len(rows) >= LONGEST_RUN:
                    self._end(measured.pack)
                    self._bound()
            self._rows[measured.pack].append(row)

    def take_runs(self) -> list[Run]:
        """All that waits."""
        for pack in list(self._rows):
            self._end(pack)
        found, self._ended, self._ended_rows = list(self._ended), deque(), 0
        return found

    def running_days(self) -> tuple[int, ...]:
        """The days of which more is to come; none while nothing was taken."""
        if self._newest_at is None:
            return ()
        return tuple({day_of(self._newest_at), day_of(self._newest_at - SETTLED_AFTER_S)})

    def _end(self, pack: str) -> None:
        rows, self._rows[pack] = self._rows.get(pack, []), []
        if rows:
            self._ended.append(Run(pack, rows))
            self._ended_rows += len(rows)

    def _bound(self) -> None:
        """Nobody fetches them while the disk is not written; then the oldest go."""
        most = max(MOST_WAITING, MOST_WAITING_A_PACK * len(self._rows))
        while self._ended_rows > most:
            self._ended_rows -= len(self._ended.popleft().rows)


def block_of(pack: str, rows: list[Row]) -> SampleBlock:
    """A block of rows of one day, in the order of time."""
    columns = Columns.of(rows)
    cells, sensors = columns.positions
    first, last = columns.at[0], columns.at[-1]
    day = first // TENTHS // DAY_S
    return SampleBlock(pack, day, first / TENTHS, last / TENTHS, cells, sensors, columns.packed())


def day_of(at: float) -> int:
    """The UTC day of a time, counted from 1970-01-01."""
    return tenths(at) // TENTHS // DAY_S


def row_of(measured: Measured) -> Row:
    """What the history keeps of a sample."""
    sample = measured.sample
    return Row(
        measured.at,
        sample.voltage_v,
        sample.current_a,
        sample.soc_pct,
        cast("float | None", measured.soc_estimate_pct),
        sample.cell_v,
        sample.temperature_degc,
        sample.charge_allowed,
        sample.discharge_allowed,
        sample.balancing,
        sample.protection,
    )
