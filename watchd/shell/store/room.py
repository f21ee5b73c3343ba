"""What is deleted so that the file keeps its bound.

Pages that become free are used again before the file grows, so what counts is pages in use. A file
that is larger than the bound (which was lowered) gives its free pages back, some at each write.
"""

from __future__ import annotations

import sqlite3

from watchd.shell.store import samples, trends
from watchd.shell.store.condensing import drop_oldest_raw
from watchd.shell.store.contents import Kept

MOST_BLOCKS = 500  # deleted in one transaction; more than that only where the bound was lowered
ENTRIES = 1000  # of the journal, deleted together
GIVEN_BACK = 5000  # pages at a time: 20 MB
SPARE_PAGES = 16  # for the tables' own pages, indexes and a state that grows


def make_room(db: sqlite3.Connection, kept: Kept) -> bool:
    """Delete what is too old, then the oldest telemetry, then the oldest of the journal.

    Whether the block fits now.
    """
    db.execute("DELETE FROM telemetry WHERE last_at < ?", (kept.oldest,))
    need = len(kept.block.lines) if kept.block is not None else 0
    need += sum(len(b.data) for b in kept.samples) + kept.trends.bytes
    for _ in range(MOST_BLOCKS):
        if fits(db, need, kept.most_bytes):
            return True
        if not _delete_oldest(db):
            return False
    return False


def fits(db: sqlite3.Connection, need: int, most_bytes: int) -> bool:
    """Whether so many bytes more leave the pages in use within the bound."""
    page_size = _pragma(db, "page_size")
    in_use = _pragma(db, "page_count") - _pragma(db, "freelist_count")
    # An overflow page holds four bytes less than it has, and the last one is not full.
    more = need // (page_size - 4) + 2 if need else 0
    return (in_use + more + SPARE_PAGES) * page_size <= most_bytes


def _delete_oldest(db: sqlite3.Connection) -> bool:
    """Telemetry and raw samples, whichever came first; then minutes and trends; then of the
    journal.
    """
    oldest = db.execute("SELECT id, last_at FROM telemetry ORDER BY id LIMIT 1").fetchone()
    raw = samples.first_block(db)
    if oldest is not None and (raw is None or oldest[1] <= raw.last_at):
        db.execute("DELETE FROM telemetry WHERE id = ?", (oldest[0],))
        return True
    if drop_oldest_raw(db) is not None:
        return True
    if (
        trends.drop_oldest(db, samples.first_minute(db))
        or samples.drop_oldest_minutes(db) is not None
    ):
        return True
    first = db.execute("SELECT MIN(id) FROM journal").fetchone()[0]
    if first is None:
        return False
    db.execute("DELETE FROM journal WHERE id < ?", (first + ENTRIES,))
    return True


def give_back(db: sqlite3.Connection, most_bytes: int) -> None:
    """Cut free pages off a file that is above its bound. Not inside a transaction.

    Does nothing for a file begun by version 2, which was not laid out for it.
    """
    above = _pragma(db, "page_count") - most_bytes // _pragma(db, "page_size")
    if above > 0 and _pragma(db, "freelist_count"):
        # A script, because `execute` would step once, and that is one page.
        db.executescript(f"PRAGMA incremental_vacuum({min(above, GIVEN_BACK)})")


def _pragma(db: sqlite3.Connection, name: str) -> int:
    value: int = db.execute(f"PRAGMA {name}").fetchone()[0]
    return value
