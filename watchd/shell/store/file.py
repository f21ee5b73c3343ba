"""The file: open, load, save, keep.

Errors are DamagedError for a file that is to be set aside, and sqlite3.Error or OSError for a disk
that refuses; both are for the caller to tell.
"""

from __future__ import annotations

import json
import os
import sqlite3
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from watchd.messages import JournalEntry
from watchd.shell.store import samples, trends
from watchd.shell.store.condensing import Condensing
from watchd.shell.store.contents import DamagedError, Kept, Loaded, loaded_from, pack_state
from watchd.shell.store.damage import PARTS, as_damage, look_at
from watchd.shell.store.reading import newest_entries
from watchd.shell.store.room import give_back, make_room
from watchd.shell.store.schema import migrate, transaction

MOST_ENTRIES = 200_000  # of the journal: about 100 MB; then the oldest go
WAL_BYTES = 4_000_000
# Pages in memory. SQLite's own would be 2 MB; what is read again the system has.
CACHE_KB = 500
# FULL: a commit is on the disk when it returns. NORMAL would leave a transition to the next
# checkpoint, hours later. https://www.sqlite.org/pragma.html#pragma_synchronous
_SETTINGS = f"""
PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;
PRAGMA wal_autocheckpoint=1000; PRAGMA journal_size_limit={WAL_BYTES};
PRAGMA cache_size=-{CACHE_KB};
"""


class Store:
    """The file. One connection, used by one thread at a time, whichever that is."""

    def __init__(self, path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists():
            # SQLite would open one that it may only read, and say so at the first write.
            os.close(os.open(path, os.O_RDWR))
        look_at(path)
        if not path.exists():
            _begin(path)
        self._path = path
        # A task that waits for a thread of its own can be cancelled; the thread goes on.
        self._lock = threading.Lock()
        self._db = _connected(path)
        try:
            with _damage_told():
                self._db.executescript(_SETTINGS)
                migrate(self._db)
            self._identity = _identity(path)
        except BaseException:
            self._db.close()
            raise

    def load(self) -> Loaded:
        """What was saved. Raises DamagedError where it cannot be read."""
        with self._lock, _damage_told():
            saved = self._db.execute("SELECT upto, state FROM snapshot WHERE id = 1").fetchone()
            kept = self._db.execute("SELECT upto, state FROM kept WHERE id = 1").fetchone()
            begun = trends.open_part(self._db)
        try:
            return replace(loaded_from(saved, kept), trends=begun)
        except ValueError as error:
            raise DamagedError(f"the saved state cannot be read: {error}") from error

    def save(
        self,
        state: dict[str, Any],
        entries: Iterable[JournalEntry] = (),
        upto: int = 0,
        *,
        is_base: bool = False,
    ) -> None:
        """Put a snapshot in the place of the last one, with what was journalled until it.

        As a base, a block that goes as far is kept next; else the last one's base is put by.
        """
        packed = pack_state(state)
        with self._lock, _damage_told(), transaction(self._db):
            if not is_base:
                self._db.execute(
                    "UPDATE kept SET state = (SELECT state FROM snapshot)"
                    " WHERE state IS NULL AND upto = (SELECT upto FROM snapshot)"
                )
            self._db.execute(
                "INSERT INTO snapshot (id, at, upto, state) VALUES (1, ?, ?, ?) ON CONFLICT (id)"
                " DO UPDATE SET at = excluded.at, upto = excluded.upto, state = excluded.state",
                (state.get("at", 0.0), upto, packed),
            )
            self._journal(entries)

    def take_over(self, entries: Iterable[JournalEntry]) -> None:
        """Add to the journal what an earlier file still gave."""
        with self._lock, _damage_told(), transaction(self._db):
            self._journal(entries)

    def _journal(self, entries: Iterable[JournalEntry]) -> None:
        self._db.executemany(
            "INSERT INTO journal (at, alarm, entry) VALUES (?, ?, ?)",
            [(e["at"], e["alarm"], json.dumps(e, ensure_ascii=False)) for e in entries],
        )
        self._db.execute(
            "DELETE FROM journal WHERE id <= (SELECT MAX(id) FROM journal) - ?", (MOST_ENTRIES,)
        )

    def entries(self, alarm: str | None, since: float, most: int) -> list[JournalEntry]:
        """The newest entries of the journal, oldest first: of one alarm or all (None)."""
        with self._lock, _damage_told():
            return newest_entries(self._db, alarm, since, most)

    def keep(self, kept: Kept) -> None:
        """Add a block of telemetry; what is too old or does not fit goes, in one transaction."""
        with self._lock, _damage_told():
            with transaction(self._db):
                fits = make_room(self._db, kept)
                if fits and kept.block is not None:
                    self._db.execute(
                        "INSERT INTO telemetry (last_at, lines) VALUES (?, ?)",
                        (kept.block.last_at, kept.block.lines),
                    )
                if fits:
                    samples.add(self._db, kept.samples)
                    trends.add(self._db, kept.trends)
                # After the new ones: what is old is told from what is young.
                samples.delete_old(self._db, kept.oldest, kept.oldest_minute)
                if kept.trends.blocks:
                    trends.delete_old(self._db, kept.oldest_minute)
                self._db.execute(
                    "INSERT INTO kept (id, upto, trends) VALUES (1, ?, ?)"
                    " ON CONFLICT (id) DO UPDATE SET upto = excluded.upto, state = NULL,"
                    " trends = excluded.trends",
                    (kept.upto, kept.trends.open),
                )
            give_back(self._db, kept.most_bytes)

    def next_waiting(self, running: Sequence[int]) -> Condensing | None:
        """A day to condense, the earliest first, those that run aside."""
        with self._lock, _damage_told():
            of = samples.next_waiting(self._db, running)
            return None if of is None else Condensing(self._db, of)

    def condense(self, condensing: Condensing) -> bool:
        """Go one block on, or write the result; whether there is more to do."""
        with self._lock, _damage_told():
            if condensing.step():
                return True
            with transaction(self._db):
                condensing.finish()
            return False

    def is_in_place(self) -> bool:
        """Whether the file that is open still stands under its name."""
        with suppress(OSError):
            return self._identity == _identity(self._path)
        return False

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._db.close()


def _connected(path: Path) -> sqlite3.Connection:
    # It begins no transaction by itself.
    return sqlite3.connect(path, timeout=5.0, check_same_thread=False, isolation_level=None)


def _begin(path: Path) -> None:
    """Make an empty store, whole or not at all: one that is empty or cut off is then damaged."""
    new = path.with_name(path.name + ".new")
    for part in PARTS:
        new.with_name(new.name + part).unlink(missing_ok=True)
    db = _connected(new)
    try:
        # Before the first table; later it would need the whole file to be written anew.
        db.execute("PRAGMA auto_vacuum=INCREMENTAL")
        db.executescript(_SETTINGS)
        migrate(db)
    finally:
        db.close()
    new.rename(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


@contextmanager
def _damage_told() -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        damage = as_damage(error)
        if damage is not None:
            raise damage from error
        raise


def _identity(path: Path) -> tuple[int, int]:
    found = path.stat()
    return found.st_dev, found.st_ino
