"""Reading the history that the service keeps, while it runs or not.

with History(Path("watchd.db")) as history:
    for row in history.raw("alder", begin, end):
        ...

Rows come in the order of time, read block by block. Times are Unix seconds; a range goes from
`begin` up to, and without, `end`. Blocks that cannot be read are left out, and counted in
`damaged`. Errors are sqlite3.Error.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from heapq import merge
from pathlib import Path
from typing import Self

from watchd.history.columns import Columns, Row
from watchd.history.fold import Fold, joined_minutes
from watchd.history.recorder import day_of
from watchd.history.series import DamagedBlockError
from watchd.history.summaries import Day, Minute
from watchd.history.tables import Resolution
from watchd.history.trend_blocks import (
    unpack_full,
    unpack_open,
    unpack_pack_day,
    unpack_trends,
)
from watchd.history.trends import FullCharge, PackDay, Trend
from watchd.messages import JournalEntry
from watchd.shell.store import samples, trends
from watchd.shell.store.condensing import Condensing

ALWAYS = (-1e12, 1e12)
_Open = dict[str, list[Trend]]
_OpenFull = dict[tuple[str, float], FullCharge]


class History:
    """A store, opened for reading: what it holds is as of the first look."""

    def __init__(self, path: Path) -> None:
        self.damaged = 0
        self._opened: tuple[_Open, _OpenFull] | None = None
        self._db = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None
        )
        try:
            # One view for all: what is condensed meanwhile is not seen twice, or not at all.
            self._db.execute("BEGIN")
            self._db.execute("SELECT id FROM samples LIMIT 1").fetchone()
            self._has_trends = trends.are_kept(self._db)
        except sqlite3.Error:
            self._db.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self._db.close()

    def packs(self) -> list[str]:
        """The packs of which there is any history, by name."""
        return samples.packs(self._db)

    def ends(self, pack: str) -> tuple[float, float] | None:
        """When the first and the last that is kept of a pack were (Unix s); None: nothing is."""
        return samples.ends(self._db, pack)

    def positions(self, pack: str, begin: float, end: float) -> tuple[int, int]:
        """The most cells, and sensors of temperature, in a range: what columns a table needs."""
        return samples.positions(self._db, pack, begin, end)

    def raw(self, pack: str, begin: float, end: float) -> Iterator[Row]:
        """The samples. Where the clock was set back, both measurements of a time are there."""
        open_rows: Iterator[Row] = iter(())
        for first_at, number in samples.block_ids(self._db, pack, begin, end):
            try:
                rows = Columns.unpacked(samples.block(self._db, number) or b"").rows()
            except DamagedBlockError:
                self.damaged += 1
                continue
            # What is before this block is told; only blocks that overlap it are held.
            waiting: list[Row] = []
            for row in open_rows:
                if row.at > first_at:
                    waiting.append(row)
                    waiting.extend(open_rows)
                elif begin <= row.at < end:
                    yield row
            open_rows = merge(waiting, rows, key=_at) if waiting else rows
        yield from (row for row in open_rows if begin <= row.at < end)

    def minutes(
        self, pack: str, begin: float, end: float, *, with_cells: bool = True
    ) -> Iterator[Minute]:
        """The minutes that begin in the range; those of days that run are computed from samples.

        Without cells and sensors they take a tenth of the memory.
        """
        for day in samples.days_kept(self._db, "minutes", pack, begin, end):
            try:
                found = samples.kept_minutes(self._db, pack, day, with_cells=with_cells)
            except DamagedBlockError:
                found = []
                self.damaged += 1
            fold = self._fold(pack, day, with_cells=with_cells)
            if fold is not None:
                found = joined_minutes(found, fold.minutes())
            yield from (m for m in found if begin <= m.at < end)

    def days(self, pack: str, begin: float, end: float) -> Iterator[Day]:
        """The UTC days that lie in the range, also in part; the last is as far as it has got."""
        for day in samples.days_kept(self._db, "days", pack, begin, end):
            try:
                kept = samples.kept_day(self._db, pack, day)
            except DamagedBlockError:
                kept = None
                self.damaged += 1
            fold = self._fold(pack, day)
            later = None if fold is None else fold.day()
            found = later if kept is None else kept if later is None else kept.joined(later)
            if found is not None:
                yield found

    def read(
        self, resolution: Resolution, pack: str, begin: float = ALWAYS[0], end: float = ALWAYS[1]
    ) -> Iterator[Row | Minute | Day]:
        """Rows, minutes or days."""
        if resolution is Resolution.RAW:
            return self.raw(pack, begin, end)
        if resolution is Resolution.MINUTE:
            return self.minutes(pack, begin, end)
        return self.days(pack, begin, end)

    # --- what is kept of the figures; nothing of before version 4 of the store ---

    def banks(self) -> list[str]:
        """The banks of which there are trends, by name."""
        if not self._has_trends:
            return []
        found = {*trends.subjects(self._db), *self._open()[0]}
        return sorted(name.partition("/")[2] for name in found if name.startswith("bank/"))

    def trends(
        self, subject: str, begin: float = ALWAYS[0], end: float = ALWAYS[1]
    ) -> Iterator[Trend]:
        """The trends of pack/alder or bank/hut; of a time before a clock was set back, both."""
        if not self._has_trends:
            return
        waiting: list[Trend] = []
        for first_at, number in trends.block_ids(self._db, subject, begin, end):
            try:
                found = unpack_trends(trends.block(self._db, number))
            except DamagedBlockError:
                self.damaged += 1
                continue
            # What is before this block is told; only blocks that overlap it are held.
            yield from (t for t in waiting if t.at < first_at and begin <= t.at < end)
            waiting = sorted([*(t for t in waiting if t.at >= first_at), *found], key=_at)
        waiting = sorted([*waiting, *self._open()[0].get(subject, ())], key=_at)
        yield from (t for t in waiting if begin <= t.at < end)

    def pack_days(
        self, pack: str, begin: float = ALWAYS[0], end: float = ALWAYS[1]
    ) -> Iterator[PackDay]:
        """The UTC days of a pack that lie in the range, also in part."""
        if not self._has_trends:
            return
        full = self._full_charges(pack, begin, end)
        for day, data in trends.days(self._db, pack, begin, end):
            try:
                yield unpack_pack_day(data, tuple(f for f in full if day_of(f.at) == day))
            except DamagedBlockError:
                self.damaged += 1

    def journal(self, begin: float = ALWAYS[0], end: float = ALWAYS[1]) -> Iterator[JournalEntry]:
        """The journal of alarms, in the order of time."""
        for (text,) in self._db.execute(
            "SELECT CAST(entry AS BLOB) FROM journal WHERE at >= ? AND at < ? ORDER BY at, id",
            (begin, end),
        ):
            try:
                yield json.loads(text)
            except (ValueError, RecursionError):
                self.damaged += 1

    def _full_charges(self, pack: str, begin: float, end: float) -> list[FullCharge]:
        found: dict[float, FullCharge] = {}
        for at, data in trends.full_charges(self._db, pack, begin, end):
            try:
                found[at] = unpack_full(data)
            except DamagedBlockError:
                self.damaged += 1
        found.update({at: full for (of, at), full in self._open()[1].items() if of == pack})
        return [found[at] for at in sorted(found)]

    def _open(self) -> tuple[_Open, _OpenFull]:
        """What made no full block as of the last write."""
        if self._opened is None:
            self._opened = {}, {}
            data = trends.open_part(self._db)
            try:
                self._opened = unpack_open(data) if data is not None else self._opened
            except DamagedBlockError:
                self.damaged += 1
        return self._opened

    def _fold(self, pack: str, day: int, *, with_cells: bool = True) -> Fold | None:
        of = samples.waiting(self._db, pack, day)
        if of is None:
            return None
        condensing = Condensing(self._db, of, with_cells=with_cells)
        while condensing.step():
            pass
        self.damaged += condensing.damaged
        return condensing.fold


def _at(row: Row | Trend) -> float:
    return row.at
