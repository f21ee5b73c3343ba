"""One small database file: the engine's newest snapshot, the journal of alarms, the telemetry, the
history.

Errors are sqlite3.Error or OSError, for the caller to tell.
"""

from __future__ import annotations

import json
import sqlite3
import threading
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from watchd.history.recorder import SampleBlock
from watchd.messages import JournalEntry
from watchd.shell import samples
from watchd.shell.condensing import Condensing, drop_oldest_raw

SCHEMA = 2
MOST_ENTRIES = 200_000  # of the journal: about 100 MB; then the oldest go
_TABLES = f"""
PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; PRAGMA user_version={SCHEMA};
CREATE TABLE IF NOT EXISTS snapshot
  (id INTEGER PRIMARY KEY CHECK (id = 1), at REAL NOT NULL, state TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS journal
  (id INTEGER PRIMARY KEY, at REAL NOT NULL, alarm TEXT NOT NULL, entry TEXT NOT NULL);
CREATE INDEX IF NOT EXISTS journal_alarm ON journal (alarm, id);
CREATE TABLE IF NOT EXISTS telemetry
  (id INTEGER PRIMARY KEY, last_at REAL NOT NULL, lines BLOB NOT NULL);
{samples.TABLES}
"""


@dataclass(frozen=True, slots=True)
class Block:
    """Some minutes of telemetry: JSON Lines as a recording has them, packed by zlib."""

    last_at: float
    lines: bytes

    @classmethod
    def of(cls, last_at: float, lines: Sequence[bytes]) -> Block:
        """Pack lines; each ends without a line break."""
        return cls(last_at, zlib.compress(b"\n".join(lines), 6))

    def unpacked(self) -> list[bytes]:
        """The lines again. Raises zlib.error for a damaged block."""
        return zlib.decompress(self.lines).split(b"\n")


class Store:
    """The file. One connection, used by one thread at a time, whichever that is."""

    def __init__(self, path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self._db = sqlite3.connect(path, timeout=5.0, check_same_thread=False)
        # A task that waits for a thread of its own can be cancelled; the thread goes on.
        self._lock = threading.Lock()
        try:
            self._db.executescript(_TABLES)
        except sqlite3.Error:
            self._db.close()
            raise

    def load(self) -> dict[str, Any] | None:
        """The saved snapshot; None where there is none. Raises ValueError for what is no JSON."""
        row = self._db.execute("SELECT state FROM snapshot WHERE id = 1").fetchone()
        if row is None:
            return None
        try:
            state = json.loads(row[0])
        except RecursionError:
            raise ValueError("nested too deep") from None
        return state if isinstance(state, dict) else None

    def save(self, state: dict[str, Any], entries: Iterable[JournalEntry] = ()) -> None:
        """Put a snapshot in the place of the last one, with what was journalled until it."""
        with self._lock, self._db:
            self._db.execute(
                "INSERT INTO snapshot (id, at, state) VALUES (1, ?, ?)"
                " ON CONFLICT (id) DO UPDATE SET at = excluded.at, state = excluded.state",
                (state.get("at", 0.0), json.dumps(state, separators=(",", ":"))),
            )
            self._db.executemany(
                "INSERT INTO journal (at, alarm, entry) VALUES (?, ?, ?)",
                [(e["at"], e["alarm"], json.dumps(e, ensure_ascii=False)) for e in entries],
            )
            self._db.execute(
                "DELETE FROM journal WHERE id <= (SELECT MAX(id) FROM journal) - ?", (MOST_ENTRIES,)
            )

    def entries(self, alarm: str | None, since: float, most: int) -> list[JournalEntry]:
        """The newest entries of the journal, oldest first: of one alarm or all (None)."""
        with self._lock:
            rows = self._db.execute(
                "SELECT entry FROM journal WHERE at >= ? AND (? IS NULL OR alarm = ?)"
                " ORDER BY id DESC LIMIT ?",
                (since, alarm, alarm, most),
            ).fetchall()
        return [json.loads(entry) for (entry,) in reversed(rows)]

    def keep(
        self,
        block: Block | None,
        oldest: float,
        most_bytes: int,
        sampled: Sequence[SampleBlock] = (),
        oldest_minute: float = float("-inf"),
    ) -> None:
        """Add a block of telemetry, and samples; what ended before `oldest`, or does not fit, goes.

        Samples stay until their day has been condensed, minutes until `oldest_minute`.
        """
        with self._lock, self._db:
            if block is not None:
                self._db.execute(
                    "INSERT INTO telemetry (last_at, lines) VALUES (?, ?)",
                    (block.last_at, block.lines),
                )
            samples.add(self._db, sampled)
            self._db.execute("DELETE FROM telemetry WHERE last_at < ?", (oldest,))
            samples.delete_old(self._db, oldest, oldest_minute)
            kept = self._db.execute("SELECT COALESCE(SUM(LENGTH(lines)), 0) FROM telemetry")
            self._make_room(kept.fetchone()[0], most_bytes)

    def _make_room(self, telemetry: int, most_bytes: int) -> None:
        """Telemetry and raw samples go, the oldest first; then minutes. Days stay."""
        kept = telemetry + sum(samples.sizes(self._db).values())
        while kept > most_bytes:
            first = self._db.execute(
                "SELECT id, LENGTH(lines), last_at FROM telemetry ORDER BY id LIMIT 1"
            ).fetchone()
            raw = samples.first_block(self._db)
            if first is not None and (raw is None or first[2] <= raw.last_at):
                self._db.execute("DELETE FROM telemetry WHERE id = ?", (first[0],))
                kept -= first[1]
            else:
                gone = drop_oldest_raw(self._db)
                if gone is None:
                    gone = samples.drop_oldest_minutes(self._db)
                if gone is None:
                    return
                kept -= gone

    def next_waiting(self, running: Sequence[int]) -> Condensing | None:
        """A day to condense, the earliest first, those that run aside."""
        with self._lock:
            of = samples.next_waiting(self._db, running)
            return None if of is None else Condensing(self._db, of)

    def condense(self, condensing: Condensing) -> bool:
        """Go one block on, or write the result; whether there is more to do."""
        with self._lock:
            if condensing.step():
                return True
            with self._db:
                condensing.finish()
            return False

    def close(self) -> None:
        """Close the file."""
        self._db.close()


def read_telemetry(path: Path, since_s: float | None = None) -> Iterator[Block]:
    """The blocks of telemetry in a file that a running service may be writing, oldest first.

    `since_s`: only those of so many seconds before the newest.
    """
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as db:
        last = db.execute("SELECT MAX(last_at) FROM telemetry").fetchone()[0]
        since = 0.0 if since_s is None or last is None else last - since_s
        for row in db.execute(
            "SELECT last_at, lines FROM telemetry WHERE last_at >= ? ORDER BY id", (since,)
        ):
            yield Block(*row)
