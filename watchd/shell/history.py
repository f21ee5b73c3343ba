"""Reading the history that the service keeps, while it runs or not.

with History(Path("watchd.db")) as history:
    for row in history.raw("alder", begin, end):
        ...

Rows come in the order of time, read block by block. Times are Unix seconds; a range goes from
`begin` up to, and without, `end`. Blocks that cannot be read are left out, and counted in
`damaged`. Errors are sqlite3.Error.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from heapq import merge
from pathlib import Path
from typing import Self

from watchd.history.columns import Columns, Row
from watchd.history.fold import Fold, joined_minutes
from watchd.history.recorder import DAY_S, day_of
from watchd.history.series import DamagedBlockError
from watchd.history.summaries import Day, Minute
from watchd.history.tables import Resolution
from watchd.shell import samples

ALWAYS = (-1e12, 1e12)


class History:
    """A store, opened for reading: what it holds is as of the first look."""

    def __init__(self, path: Path) -> None:
        self.damaged = 0
        self._db = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None
        )
        try:
            # One view for all: what is condensed meanwhile is not seen twice, or not at all.
            self._db.execute("BEGIN")
            self._db.execute("SELECT id FROM samples LIMIT 1").fetchone()
        except sqlite3.Error:
            self._db.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self._db.close()

    def packs(self) -> list[str]:
        """The packs of which there is any history, by name."""
        found = self._db.execute("SELECT pack FROM days UNION SELECT pack FROM samples ORDER BY 1")
        return [name for (name,) in found]

    def ends(self, pack: str) -> tuple[float, float] | None:
        """When the first and the last that is kept of a pack were (Unix s); None: nothing is.

        Of days that have been condensed, the ends of the day.
        """
        raw = self._db.execute(
            "SELECT MIN(first_at), MAX(last_at) FROM samples WHERE pack = ?", (pack,)
        ).fetchone()
        days = self._db.execute(
            "SELECT MIN(day), MAX(day) + 1 FROM days WHERE pack = ?", (pack,)
        ).fetchone()
        begins = [
            t for t in (raw[0], None if days[0] is None else days[0] * DAY_S) if t is not None
        ]
        if not begins:
            return None
        last = raw[1] if raw[1] is not None else days[1] * DAY_S
        return float(min(begins)), float(last)

    def positions(self, pack: str, begin: float, end: float) -> tuple[int, int]:
        """The most cells, and sensors of temperature, in a range: what columns a table needs."""
        found = [(0, 0)]
        found += self._db.execute(
            "SELECT COALESCE(MAX(cells), 0), COALESCE(MAX(sensors), 0) FROM samples"
            " WHERE pack = ? AND first_at >= ? AND first_at < ? AND last_at >= ?",
            (pack, begin - DAY_S, end, begin),
        )
        for table in ("minutes", "days"):
            found += self._db.execute(
                "SELECT COALESCE(MAX(cells), 0), COALESCE(MAX(sensors), 0)"  # noqa: S608
                f" FROM {table} WHERE pack = ? AND day >= ? AND day < ?",
                (pack, begin // DAY_S, -(-end // DAY_S)),
            )
        return max(c for c, _ in found), max(s for _, s in found)

    def raw(self, pack: str, begin: float, end: float) -> Iterator[Row]:
        """The samples. Where the clock was set back, both measurements of a time are there."""
        blocks = self._db.execute(
            "SELECT first_at, data FROM samples WHERE pack = ? AND first_at >= ? AND first_at < ?"
            " AND last_at >= ? ORDER BY first_at, id",
            (pack, begin - DAY_S, end, begin),
        )
        open_rows: Iterator[Row] = iter(())
        for first_at, data in blocks:
            try:
                rows = Columns.unpacked(data).rows()
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

    def minutes(self, pack: str, begin: float, end: float) -> Iterator[Minute]:
        """The minutes that begin in the range; those of days that run are computed from samples."""
        for day in self._days_of(pack, "minutes", begin, end):
            try:
                found = samples.kept_minutes(self._db, pack, day)
            except DamagedBlockError:
                found = []
                self.damaged += 1
            fold = self._fold(pack, day)
            if fold is not None:
                found = joined_minutes(found, fold.minutes())
            yield from (m for m in found if begin <= m.at < end)

    def days(self, pack: str, begin: float, end: float) -> Iterator[Day]:
        """The UTC days that lie in the range, also in part; the last is as far as it has got."""
        for day in self._days_of(pack, "days", begin, end):
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

    def _days_of(self, pack: str, table: str, begin: float, end: float) -> list[int]:
        low, high = day_of(begin), day_of(end - 0.1)
        found = self._db.execute(
            f"SELECT day FROM {table} WHERE pack = :pack AND day BETWEEN :low AND :high"  # noqa: S608
            " UNION SELECT day FROM samples WHERE condensed = 0 AND pack = :pack"
            " AND day BETWEEN :low AND :high ORDER BY day",
            {"pack": pack, "low": low, "high": high},
        )
        return [day for (day,) in found]

    def _fold(self, pack: str, day: int) -> Fold | None:
        of = samples.waiting(self._db, pack, day)
        if of is None:
            return None
        condensing = samples.Condensing(self._db, of)
        while condensing.step():
            pass
        self.damaged += condensing.damaged
        return condensing.fold


def _at(row: Row) -> float:
    return row.at
