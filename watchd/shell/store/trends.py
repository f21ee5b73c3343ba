"""The tables of what is kept of the figures: trends in blocks, days of packs, full charges.

Functions over a connection, inside the caller's transaction where they write. Errors are
sqlite3.Error, and DamagedBlockError from what is read. Trends go with the minutes; the days and
full charges of packs stay.
"""

from __future__ import annotations

import sqlite3

from watchd.history.recorder import DAY_S, day_of
from watchd.history.trend_recorder import BLOCK_S, TrendPart
from watchd.telemetry.order import YOUNGEST_CLOCK

TABLES = """
CREATE TABLE IF NOT EXISTS trends
  (id INTEGER PRIMARY KEY, subject TEXT NOT NULL, first_at REAL NOT NULL, last_at REAL NOT NULL,
   data BLOB NOT NULL);
CREATE INDEX IF NOT EXISTS trends_by_time ON trends (last_at, first_at, subject);
CREATE TABLE IF NOT EXISTS pack_days
  (id INTEGER PRIMARY KEY, pack TEXT NOT NULL, day INTEGER NOT NULL, data BLOB NOT NULL);
CREATE UNIQUE INDEX IF NOT EXISTS pack_days_day ON pack_days (pack, day);
CREATE TABLE IF NOT EXISTS full_charges
  (id INTEGER PRIMARY KEY, pack TEXT NOT NULL, at REAL NOT NULL, data BLOB NOT NULL);
CREATE UNIQUE INDEX IF NOT EXISTS full_charges_at ON full_charges (pack, at);
"""
BLOCKS = 100  # dropped together where room is to be made: 40 kB


def are_kept(db: sqlite3.Connection) -> bool:
    """Whether the file has these tables: until version 3 of the store it had not."""
    found = db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'full_charges'").fetchone()
    return found is not None


def add(db: sqlite3.Connection, part: TrendPart) -> None:
    """Add blocks; days and full charges in the place of those before."""
    db.executemany(
        "INSERT INTO trends (subject, first_at, last_at, data) VALUES (?, ?, ?, ?)",
        [(b.subject, b.first_at, b.last_at, b.data) for b in part.blocks],
    )
    db.executemany(
        "INSERT INTO pack_days (pack, day, data) VALUES (?, ?, ?)"
        " ON CONFLICT (pack, day) DO UPDATE SET data = excluded.data",
        [(d.pack, d.day, d.data) for d in part.days],
    )
    db.executemany(
        "INSERT INTO full_charges (pack, at, data) VALUES (?, ?, ?)"
        " ON CONFLICT (pack, at) DO UPDATE SET data = excluded.data",
        [(f.pack, f.at, f.data) for f in part.full],
    )


def open_part(db: sqlite3.Connection) -> bytes | None:
    """What makes no full block yet, as of the last write."""
    row = db.execute("SELECT trends FROM kept WHERE id = 1").fetchone()
    return row[0] if row and isinstance(row[0], bytes) else None


# As of samples: what has a stamp of 1970 or 2099 has the age of its neighbours.
_OLD = """
DELETE FROM trends WHERE id <= (
  SELECT MAX(id) FROM trends WHERE last_at >= :credible AND last_at < :oldest AND id < (
    SELECT MIN(id) FROM trends WHERE last_at >= :oldest AND last_at <= :now))
"""


def delete_old(db: sqlite3.Connection, before: float) -> None:
    """Delete blocks that ended before (Unix s)."""
    last = db.execute("SELECT last_at FROM trends ORDER BY id DESC LIMIT 1").fetchone()
    if last is not None:
        db.execute(_OLD, {"credible": YOUNGEST_CLOCK, "oldest": before, "now": last[0]})


def drop_oldest(db: sqlite3.Connection, unless_after: float | None) -> bool:
    """Drop the blocks that were kept first, unless they are younger than a time; whether any."""
    first = db.execute("SELECT id, last_at FROM trends ORDER BY id LIMIT 1").fetchone()
    if first is None or (unless_after is not None and first[1] > unless_after):
        return False
    db.execute("DELETE FROM trends WHERE id < ?", (first[0] + BLOCKS,))
    return True


# --- reading ---


def subjects(db: sqlite3.Connection) -> list[str]:
    """Those of which there are blocks."""
    return [name for (name,) in db.execute("SELECT DISTINCT subject FROM trends")]


def block_ids(
    db: sqlite3.Connection, subject: str, begin: float, end: float
) -> list[tuple[float, int]]:
    """When each block with trends of a range begins, and its id, in that order."""
    return db.execute(
        "SELECT first_at, id FROM trends WHERE subject = :subject AND last_at >= :begin"
        " AND first_at < :end AND last_at < :latest ORDER BY first_at, id",
        {"subject": subject, "begin": begin, "end": end, "latest": end + BLOCK_S},
    ).fetchall()


def block(db: sqlite3.Connection, number: int) -> bytes:
    """One block."""
    row = db.execute("SELECT data FROM trends WHERE id = ?", (number,)).fetchone()
    return row[0] if row else b""


def days(db: sqlite3.Connection, pack: str, begin: float, end: float) -> list[tuple[int, bytes]]:
    """The days of a pack that lie in the range, also in part, in their order."""
    return db.execute(
        "SELECT day, data FROM pack_days WHERE pack = ? AND day BETWEEN ? AND ? ORDER BY day",
        (pack, day_of(begin), day_of(end - 0.1)),
    ).fetchall()


def full_charges(
    db: sqlite3.Connection, pack: str, begin: float, end: float
) -> list[tuple[float, bytes]]:
    """The full charges of the days of a range, in their order."""
    return db.execute(
        "SELECT at, data FROM full_charges WHERE pack = ? AND at >= ? AND at < ? ORDER BY at",
        (pack, day_of(begin) * DAY_S, (day_of(end - 0.1) + 1) * DAY_S),
    ).fetchall()
