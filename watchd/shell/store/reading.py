"""For those who only read the file: replay, and a start on a disk that is read-only."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path

from watchd.messages import JournalEntry
from watchd.shell.store import trends
from watchd.shell.store.contents import Block, Loaded, loaded_from
from watchd.shell.store.damage import reader


def read_telemetry(path: Path, since_s: float | None = None) -> Iterator[Block]:
    """The blocks of telemetry in a file that a running service may be writing, oldest first.

    `since_s`: only those of so many seconds before the newest.
    """
    with closing(reader(path)) as db:
        last = db.execute("SELECT MAX(last_at) FROM telemetry").fetchone()[0]
        since = 0.0 if since_s is None or last is None else last - since_s
        for row in db.execute(
            "SELECT last_at, lines FROM telemetry WHERE last_at >= ? ORDER BY id", (since,)
        ):
            yield Block(*row)


def newest_entries(
    db: sqlite3.Connection, alarm: str | None, since: float, most: int
) -> list[JournalEntry]:
    """The newest entries of the journal, oldest first: of one alarm or all (None)."""
    rows = db.execute(
        "SELECT entry FROM journal WHERE at >= ? AND (? IS NULL OR alarm = ?)"
        " ORDER BY id DESC LIMIT ?",
        (since, alarm, alarm, most),
    ).fetchall()
    return [json.loads(entry) for (entry,) in reversed(rows)]


def load_read_only(path: Path) -> Loaded:
    """What a file holds that cannot be written; nothing where it cannot be read either."""
    # A disk that became read-only after a power cut: first with the -wal, whose index SQLite may
    # need to write; then as the file is, which is the state of the last checkpoint.
    for immutable in (False, True):
        with suppress(sqlite3.Error, OSError, ValueError):
            if not path.is_file():
                break
            with closing(reader(path, immutable=immutable)) as db:
                row = db.execute("SELECT upto, state FROM snapshot WHERE id = 1").fetchone()
                kept = db.execute("SELECT upto, state FROM kept WHERE id = 1").fetchone()
                begun = trends.open_part(db) if trends.are_kept(db) else None
            return replace(loaded_from(row, kept), trends=begun)
    return Loaded()
