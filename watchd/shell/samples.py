"""The tables of the history: blocks of samples, and the minutes and days that they become.

Functions over a connection, inside the caller's transaction where they write. A block is raw until
its day is over; then it is folded into minutes and day, and marked. What comes later for the same
day (a clock that was set) is folded in as well, so nothing is counted twice and nothing is lost.
Errors are sqlite3.Error, and DamagedBlockError from what is read.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from watchd.history.columns import Columns
from watchd.history.fold import Fold, joined_minutes
from watchd.history.recorder import DAY_S, SampleBlock
from watchd.history.series import DamagedBlockError
from watchd.history.summaries import (
    Day,
    Minute,
    pack_day,
    pack_minutes,
    unpack_day,
    unpack_minutes,
)
from watchd.telemetry.parts import YOUNGEST_CLOCK

# Sizes and counts stand before the blocks and in the indexes: a look at them reads no block.
TABLES = """
CREATE TABLE IF NOT EXISTS samples
  (id INTEGER PRIMARY KEY, pack TEXT NOT NULL, day INTEGER NOT NULL, first_at REAL NOT NULL,
   last_at REAL NOT NULL, cells INTEGER NOT NULL, sensors INTEGER NOT NULL,
   bytes INTEGER NOT NULL, condensed INTEGER NOT NULL DEFAULT 0, data BLOB NOT NULL);
CREATE INDEX IF NOT EXISTS samples_by_time
  ON samples (pack, first_at, last_at, cells, sensors);
CREATE INDEX IF NOT EXISTS samples_by_age ON samples (last_at, id, condensed, bytes);
CREATE INDEX IF NOT EXISTS samples_waiting ON samples (day, pack) WHERE condensed = 0;
CREATE TABLE IF NOT EXISTS minutes
  (id INTEGER PRIMARY KEY, pack TEXT NOT NULL, day INTEGER NOT NULL, cells INTEGER NOT NULL,
   sensors INTEGER NOT NULL, bytes INTEGER NOT NULL, data BLOB NOT NULL, UNIQUE (pack, day));
CREATE TABLE IF NOT EXISTS days
  (id INTEGER PRIMARY KEY, pack TEXT NOT NULL, day INTEGER NOT NULL, cells INTEGER NOT NULL,
   sensors INTEGER NOT NULL, bytes INTEGER NOT NULL, data BLOB NOT NULL, UNIQUE (pack, day));
"""


def add(db: sqlite3.Connection, blocks: Iterable[SampleBlock]) -> None:
    """Add blocks of samples, in the order in which they were measured."""
    db.executemany(
        "INSERT INTO samples (pack, day, first_at, last_at, cells, sensors, bytes, data)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (b.pack, b.day, b.first_at, b.last_at, b.cells, b.sensors, len(b.data), b.data)
            for b in blocks
        ],
    )


# --- condensing ---


@dataclass(frozen=True, slots=True)
class Waiting:
    """Blocks of a pack and day that aren't condensed yet, and the one that came before them."""

    pack: str
    day: int
    ids: tuple[int, ...]
    before: int | None


def waiting(db: sqlite3.Connection, pack: str, day: int) -> Waiting | None:
    """What of a pack's day is not condensed."""
    ids = tuple(
        i
        for (i,) in db.execute(
            "SELECT id FROM samples WHERE condensed = 0 AND day = ? AND pack = ? ORDER BY id",
            (day, pack),
        )
    )
    if not ids:
        return None
    # Blocks of a pack follow each other closely; a scan from the end of the ids finds it at once.
    before = db.execute(
        "SELECT id FROM samples WHERE id < ? AND +pack = ? ORDER BY id DESC LIMIT 1",
        (ids[0], pack),
    ).fetchone()
    return Waiting(pack, day, ids, before[0] if before else None)


def next_waiting(db: sqlite3.Connection, running: Sequence[int]) -> Waiting | None:
    """The earliest pack and day with blocks to condense, those of the days `running` aside."""
    for day, pack in db.execute(
        "SELECT DISTINCT day, pack FROM samples WHERE condensed = 0 ORDER BY day, pack"
    ):
        if day not in running:
            return waiting(db, pack, day)
    return None


def block(db: sqlite3.Connection, number: int) -> bytes | None:
    """One block of samples; None where it has been dropped meanwhile."""
    row = db.execute("SELECT data FROM samples WHERE id = ?", (number,)).fetchone()
    return row[0] if row else None


def finish(db: sqlite3.Connection, of: Waiting, minutes: bytes | None, day: bytes | None) -> None:
    """Write what a day was condensed to (None: nothing could be read), and mark its blocks."""
    for table, data in (("minutes", minutes), ("days", day)):
        if data is None:
            continue
        db.execute(
            f"INSERT INTO {table} (pack, day, cells, sensors, bytes, data)"  # noqa: S608
            " SELECT ?, ?, MAX(cells), MAX(sensors), ?, ? FROM samples WHERE id BETWEEN ? AND ?"
            " AND pack = ?"
            " ON CONFLICT (pack, day) DO UPDATE SET bytes = excluded.bytes, data = excluded.data,"
            " cells = MAX(cells, excluded.cells), sensors = MAX(sensors, excluded.sensors)",
            (of.pack, of.day, len(data), data, of.ids[0], of.ids[-1], of.pack),
        )
    db.executemany("UPDATE samples SET condensed = 1 WHERE id = ?", [(i,) for i in of.ids])


def kept_minutes(db: sqlite3.Connection, pack: str, day: int) -> list[Minute]:
    """The minutes of a day that were condensed."""
    row = db.execute("SELECT data FROM minutes WHERE pack = ? AND day = ?", (pack, day)).fetchone()
    return unpack_minutes(row[0]) if row else []


def kept_day(db: sqlite3.Connection, pack: str, day: int) -> Day | None:
    """The day as it was condensed."""
    row = db.execute("SELECT data FROM days WHERE pack = ? AND day = ?", (pack, day)).fetchone()
    return unpack_day(row[0]) if row else None


class Condensing:
    """One pack's day, block by block: `step` until it is False, then `finish` in a transaction.

    Between two steps nothing is held, so that a slow card and the watching both have their turn.
    A block that can't be read is counted in `damaged`, and left out.
    """

    def __init__(self, db: sqlite3.Connection, of: Waiting) -> None:
        self._db, self.of = db, of
        self._left = list(reversed(of.ids))
        self.fold = Fold(of.day, _read(db, of.before))
        self.damaged = 0

    def step(self) -> bool:
        """Fold one more block; whether any was left."""
        if not self._left:
            return False
        columns = _read(self._db, self._left.pop())
        if columns is None:
            self.damaged += 1
        else:
            self.fold.take(columns)
        return True

    def finish(self) -> None:
        """Join with what was condensed of the day before, and write it."""
        of, later, day = self.of, self.fold.minutes(), self.fold.day()
        still = self._db.execute(
            "SELECT COUNT(*) FROM samples WHERE condensed = 0 AND day = ? AND pack = ? AND id <= ?",
            (of.day, of.pack, of.ids[-1]),
        ).fetchone()[0]
        if still != len(of.ids):
            # Some had to make room meanwhile, and were condensed before: to count those twice would
            # be wrong. The others have their turn later.
            return
        if day is None:
            finish(self._db, of, None, None)
            return
        try:
            minutes = joined_minutes(kept_minutes(self._db, of.pack, of.day), later)
            kept = kept_day(self._db, of.pack, of.day)
        except DamagedBlockError:
            # What can't be read is of no use to anybody; what is new must not wait for it.
            self.damaged += 1
            minutes, kept = later, None
        joined = day if kept is None else kept.joined(day)
        finish(self._db, of, pack_minutes(minutes), pack_day(joined))


def _read(db: sqlite3.Connection, number: int | None) -> Columns | None:
    data = None if number is None else block(db, number)
    try:
        return None if data is None else Columns.unpacked(data)
    except DamagedBlockError:
        return None


def condense(db: sqlite3.Connection, of: Waiting) -> int:
    """All of it at once; how many blocks could not be read."""
    condensing = Condensing(db, of)
    while condensing.step():
        pass
    condensing.finish()
    return condensing.damaged


# --- what goes ---

# By age goes, in the order of arrival, what came before the first that is still young, up to the
# last that is old by a clock that was set: so what has a stamp of 1970 or 2099 has the age of its
# neighbours. `now` is the stamp of what came last.
_OLD = """
DELETE FROM {table} WHERE {done} AND id <= (
  SELECT MAX(id) FROM {table} WHERE {at} >= :credible AND {at} < :oldest AND id < (
    SELECT MIN(id) FROM {table} WHERE {at} >= :oldest AND {at} <= :now))
"""
_OLD_RAW = _OLD.format(table="samples", at="last_at", done="condensed = 1")
_OLD_MINUTES = _OLD.format(table="minutes", at="day", done="TRUE")


def delete_old(db: sqlite3.Connection, raw_before: float, minutes_before: float) -> None:
    """Delete condensed blocks, and minutes, that ended before these times (Unix s)."""
    last = db.execute("SELECT last_at, day FROM samples ORDER BY id DESC LIMIT 1").fetchone()
    if last is None:
        return
    raw = {"oldest": raw_before, "credible": YOUNGEST_CLOCK, "now": last[0]}
    db.execute(_OLD_RAW, raw)
    minutes = {
        "oldest": minutes_before // DAY_S,
        "credible": YOUNGEST_CLOCK // DAY_S,
        "now": last[1],
    }
    db.execute(_OLD_MINUTES, minutes)


def sizes(db: sqlite3.Connection) -> dict[str, int]:
    """Bytes of the blocks in each table."""
    return {
        table: db.execute(f"SELECT COALESCE(SUM(bytes), 0) FROM {table}").fetchone()[0]  # noqa: S608
        for table in ("samples", "minutes", "days")
    }


def oldest_raw(db: sqlite3.Connection) -> tuple[float, int] | None:
    """When the block that came first ended (Unix s), and its bytes."""
    row = db.execute("SELECT last_at, bytes FROM samples ORDER BY id LIMIT 1").fetchone()
    return (row[0], row[1]) if row else None


def drop_oldest_raw(db: sqlite3.Connection) -> int | None:
    """Drop the block that came first; how many bytes that gave, None where there is none.

    One whose day has not been condensed is condensed before, with the rest of its day until now;
    what that takes counts against it.
    """
    row = db.execute(
        "SELECT id, bytes, condensed, pack, day FROM samples ORDER BY id LIMIT 1"
    ).fetchone()
    if row is None:
        return None
    number, size, condensed, pack, day = row
    if not condensed and (of := waiting(db, pack, day)) is not None:
        size += _summed(db, pack, day)
        condense(db, of)
        size -= _summed(db, pack, day)
    db.execute("DELETE FROM samples WHERE id = ?", (number,))
    return int(size)


def _summed(db: sqlite3.Connection, pack: str, day: int) -> int:
    """Bytes of a day's minutes and of the day."""
    found = db.execute(
        "SELECT bytes FROM minutes WHERE pack = :pack AND day = :day"
        " UNION ALL SELECT bytes FROM days WHERE pack = :pack AND day = :day",
        {"pack": pack, "day": day},
    )
    return sum(size for (size,) in found)


def drop_oldest_minutes(db: sqlite3.Connection) -> int | None:
    """Drop the pack's day of minutes that was kept first; its bytes, None where there is none."""
    row = db.execute("SELECT id, bytes FROM minutes ORDER BY id LIMIT 1").fetchone()
    if row is None:
        return None
    db.execute("DELETE FROM minutes WHERE id = ?", (row[0],))
    return int(row[1])
