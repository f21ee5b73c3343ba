"""The tables, their version, and the way from each version to the next.

To change the tables: a step at the end of `STEPS`, and a test that starts from a file of the
version before. A step that was ever released is not edited.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from watchd.shell.store import samples, trends
from watchd.shell.store.contents import pack_text

# The first gives version 2, which began without steps: its tables may be there already.
_TO_2 = """
CREATE TABLE IF NOT EXISTS snapshot
  (id INTEGER PRIMARY KEY CHECK (id = 1), at REAL NOT NULL, state TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS journal
  (id INTEGER PRIMARY KEY, at REAL NOT NULL, alarm TEXT NOT NULL, entry TEXT NOT NULL);
CREATE INDEX IF NOT EXISTS journal_alarm ON journal (alarm, id);
CREATE TABLE IF NOT EXISTS telemetry
  (id INTEGER PRIMARY KEY, last_at REAL NOT NULL, lines BLOB NOT NULL);
"""
# The snapshot is packed, and each write says which inputs it covers. `kept` has the state as of the
# last block once the snapshot is a later one; until then it is the same. Without the index, what is
# too old is found by reading a page of every few blocks.
_TO_3 = """
ALTER TABLE snapshot RENAME TO snapshot_2;
CREATE TABLE snapshot
  (id INTEGER PRIMARY KEY CHECK (id = 1), at REAL NOT NULL, upto INTEGER NOT NULL,
   state BLOB NOT NULL);
INSERT INTO snapshot SELECT id, at, 0, packed(CAST(state AS BLOB)) FROM snapshot_2;
DROP TABLE snapshot_2;
CREATE TABLE kept
  (id INTEGER PRIMARY KEY CHECK (id = 1), upto INTEGER NOT NULL, state BLOB);
CREATE INDEX telemetry_last_at ON telemetry (last_at);
"""
# What makes no full block of trends yet stands where each base writes in any case.
_TO_4 = """
ALTER TABLE kept ADD COLUMN trends BLOB;
"""
STEPS: dict[int, str] = {
    2: _TO_2,
    3: _TO_3 + samples.TABLES,
    4: _TO_4 + trends.TABLES,
}
SCHEMA = max(STEPS)


def version_of(db: sqlite3.Connection) -> int:
    """The version of the tables in a file."""
    version: int = db.execute("PRAGMA user_version").fetchone()[0]
    return version


def migrate(db: sqlite3.Connection) -> None:
    """Bring the tables of a file to the version that this watchd knows.

    Each step is whole or not at all: after a power cut the next start goes on from there.
    """
    db.create_function("packed", 1, pack_text, deterministic=True)
    for version, script in STEPS.items():
        if version_of(db) < version:
            with transaction(db):
                # Not as one script: that would end the transaction first.
                for statement in script.split(";\n"):
                    db.execute(statement)
                db.execute(f"PRAGMA user_version={version}")


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """All of it or nothing, on a connection that begins none by itself."""
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:  # on some errors SQLite has taken it back already
            db.execute("ROLLBACK")
        raise
