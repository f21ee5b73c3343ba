"""The tables of the history: blocks of samples, and the minutes and days that they become.

Functions over a connection, inside the caller's transaction where they write. A block waits until
its day is over; then it is folded into minutes and day. What comes later for the same day (a clock
that was set) is folded in as well, so nothing is counted twice and nothing is lost.
Errors are sqlite3.Error, and DamagedBlockError from what is read.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from watchd.history.recorder import DAY_S, SampleBlock, day_of
from watchd.history.summaries import (
    Day,
    Minute,
    unpack_day,
    unpack_minutes,
)
from watchd.telemetry.order import YOUNGEST_CLOCK

# For the sake of SD cards: one index, to which the packs of one write add side by side, and which
# answers all that asks for no block; what waits stands in a table of its own, since a mark beside a
# block would write the block again.
TABLES = """
CREATE TABLE IF NOT EXISTS samples
  (id INTEGER PRIMARY KEY, pack TEXT NOT NULL, day INTEGER NOT NULL, first_at REAL NOT NULL,
   last_at REAL NOT NULL, cells INTEGER NOT NULL, sensors INTEGER NOT NULL,
   bytes INTEGER NOT NULL, data BLOB NOT NULL);
CREATE INDEX IF NOT EXISTS samples_by_time
  ON samples (last_at, first_at, pack, cells, sensors, bytes);
CREATE TABLE IF NOT EXISTS samples_waiting
  (id INTEGER PRIMARY KEY, pack TEXT NOT NULL, day INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS minutes
  (id INTEGER PRIMARY KEY, pack TEXT NOT NULL, day INTEGER NOT NULL, cells INTEGER NOT NULL,
   sensors INTEGER NOT NULL, bytes INTEGER NOT NULL, data BLOB NOT NULL);
CREATE UNIQUE INDEX IF NOT EXISTS minutes_day ON minutes (pack, day);
CREATE TABLE IF NOT EXISTS days
  (id INTEGER PRIMARY KEY, pack TEXT NOT NULL, day INTEGER NOT NULL, cells INTEGER NOT NULL,
   sensors INTEGER NOT NULL, bytes INTEGER NOT NULL, data BLOB NOT NULL);
CREATE UNIQUE INDEX IF NOT EXISTS days_day ON days (pack, day);
"""


def add(db: sqlite3.Connection, blocks: Iterable[SampleBlock]) -> None:
    """Add blocks of samples, in the order in which they were measured."""
    for b in blocks:
        number = db.execute(
            "INSERT INTO samples (pack, day, first_at, last_at, cells, sensors, bytes, data)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (b.pack, b.day, b.first_at, b.last_at, b.cells, b.sensors, len(b.data), b.data),
        ).lastrowid
        db.execute("INSERT INTO samples_waiting VALUES (?, ?, ?)", (number, b.pack, b.day))


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
            "SELECT id FROM samples_waiting WHERE day = ? AND pack = ? ORDER BY id", (day, pack)
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
        "SELECT DISTINCT day, pack FROM samples_waiting ORDER BY day, pack"
    ):
        if day not in running:
            return waiting(db, pack, day)
    return None


def block(db: sqlite3.Connection, number: int) -> bytes | None:
    """One block of samples; None where it has been dropped meanwhile."""
    row = db.execute("SELECT data FROM samples WHERE id = ?", (number,)).fetchone()
    return row[0] if row else None


def all_wait(db: sqlite3.Connection, of: Waiting) -> bool:
    """Whether all of these blocks still wait."""
    number = db.execute(
        "SELECT COUNT(*) FROM samples_waiting WHERE day = ? AND pack = ? AND id <= ?",
        (of.day, of.pack, of.ids[-1]),
    ).fetchone()[0]
    return bool(number == len(of.ids))


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
    db.executemany("DELETE FROM samples_waiting WHERE id = ?", [(i,) for i in of.ids])


def kept_minutes(
    db: sqlite3.Connection, pack: str, day: int, *, with_cells: bool = True
) -> list[Minute]:
    """The minutes of a day that were condensed."""
    row = db.execute("SELECT data FROM minutes WHERE pack = ? AND day = ?", (pack, day)).fetchone()
    return unpack_minutes(row[0], with_cells=with_cells) if row else []


def kept_day(db: sqlite3.Connection, pack: str, day: int) -> Day | None:
    """The day as it was condensed."""
    row = db.execute("SELECT data FROM days WHERE pack = ? AND day = ?", (pack, day)).fetchone()
    return unpack_day(row[0]) if row else None


# --- what goes ---

# By age goes, in the order of arrival, what came before the first that is still young, up to the
# last that is old by a clock that was set: so what has a stamp of 1970 or 2099 has the age of its
# neighbours. `now` is the stamp of what came last.
_OLD = """
DELETE FROM {table} WHERE {done} AND id <= (
  SELECT MAX(id) FROM {table} WHERE {at} >= :credible AND {at} < :oldest AND id < (
    SELECT MIN(id) FROM {table} WHERE {at} >= :oldest AND {at} <= :now))
"""
_OLD_RAW = _OLD.format(
    table="samples", at="last_at", done="id NOT IN (SELECT id FROM samples_waiting)"
)
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


@dataclass(frozen=True, slots=True)
class FirstBlock:
    """The block that came first: when it ended (Unix s), and what it takes."""

    id: int
    last_at: float
    bytes: int
    pack: str
    day: int


def first_block(db: sqlite3.Connection) -> FirstBlock | None:
    """The one to drop where room is to be made; None where there is none."""
    row = db.execute(
        "SELECT id, last_at, bytes, pack, day FROM samples ORDER BY id LIMIT 1"
    ).fetchone()
    return FirstBlock(*row) if row else None


def drop_block(db: sqlite3.Connection, number: int) -> None:
    """Drop a block, whether it waits or not."""
    db.execute("DELETE FROM samples WHERE id = ?", (number,))
    db.execute("DELETE FROM samples_waiting WHERE id = ?", (number,))


def summed(db: sqlite3.Connection, pack: str, day: int) -> int:
    """Bytes of a day's minutes and of the day."""
    found = db.execute(
        "SELECT bytes FROM minutes WHERE pack = :pack AND day = :day"
        " UNION ALL SELECT bytes FROM days WHERE pack = :pack AND day = :day",
        {"pack": pack, "day": day},
    )
    return sum(size for (size,) in found)


def first_minute(db: sqlite3.Connection) -> float | None:
    """Where the day of minutes that was kept first ends (Unix s); None where there is none."""
    row = db.execute("SELECT day FROM minutes ORDER BY id LIMIT 1").fetchone()
    return float((row[0] + 1) * DAY_S) if row else None


def drop_oldest_minutes(db: sqlite3.Connection) -> int | None:
    """Drop the pack's day of minutes that was kept first; its bytes, None where there is none."""
    row = db.execute("SELECT id, bytes FROM minutes ORDER BY id LIMIT 1").fetchone()
    if row is None:
        return None
    db.execute("DELETE FROM minutes WHERE id = ?", (row[0],))
    return int(row[1])


# --- reading ---

# A block is of one day, so it ends within a day of its beginning; the index is by its end.
_IN_RANGE = f"pack = :pack AND last_at >= :begin AND first_at < :end AND last_at < :end + {DAY_S}"


def packs(db: sqlite3.Connection) -> list[str]:
    """The packs of which anything is kept, by name."""
    found = db.execute("SELECT pack FROM days UNION SELECT pack FROM samples ORDER BY 1")
    return [name for (name,) in found]


def ends(db: sqlite3.Connection, pack: str) -> tuple[float, float] | None:
    """When the first and the last of a pack were (Unix s): of days without samples, their ends."""
    found = db.execute(
        "SELECT MIN(first_at), MAX(last_at) FROM samples WHERE pack = :pack UNION ALL"
        " SELECT MIN(day) * :day_s, (MAX(day) + 1) * :day_s FROM days WHERE pack = :pack",
        {"pack": pack, "day_s": DAY_S},
    ).fetchall()
    known = [(first, last) for first, last in found if first is not None]
    return (float(min(f for f, _ in known)), float(known[0][1])) if known else None


def positions(db: sqlite3.Connection, pack: str, begin: float, end: float) -> tuple[int, int]:
    """The most cells, and sensors of temperature, of a pack in a range."""
    most = "SELECT COALESCE(MAX(cells), 0), COALESCE(MAX(sensors), 0)"
    found = db.execute(
        f"{most} FROM samples WHERE {_IN_RANGE}"
        f" UNION ALL {most} FROM minutes WHERE pack = :pack AND day BETWEEN :low AND :high"
        f" UNION ALL {most} FROM days WHERE pack = :pack AND day BETWEEN :low AND :high",
        {"pack": pack, "begin": begin, "end": end, **_days(begin, end)},
    ).fetchall()
    return max(cells for cells, _ in found), max(sensors for _, sensors in found)


def block_ids(
    db: sqlite3.Connection, pack: str, begin: float, end: float
) -> list[tuple[float, int]]:
    """When each block with rows of a range begins, and its id, in that order; no block is read."""
    return db.execute(
        f"SELECT first_at, id FROM samples WHERE {_IN_RANGE} ORDER BY first_at, id",  # noqa: S608
        {"pack": pack, "begin": begin, "end": end},
    ).fetchall()


def days_kept(db: sqlite3.Connection, table: str, pack: str, begin: float, end: float) -> list[int]:
    """The days of a range that have something in `minutes` or `days`, or wait."""
    found = db.execute(
        f"SELECT day FROM {table} WHERE pack = :pack AND day BETWEEN :low AND :high"  # noqa: S608
        " UNION SELECT day FROM samples_waiting WHERE pack = :pack AND day BETWEEN :low AND :high"
        " ORDER BY day",
        {"pack": pack, **_days(begin, end)},
    )
    return [day for (day,) in found]


def _days(begin: float, end: float) -> dict[str, int]:
    return {"low": day_of(begin), "high": day_of(end - 0.1)}
