"""What waits to be handed on, on disk: once a call has returned, neither a kill nor a power cut
takes it away.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import structlog

from watchd.errors import Place, Problem, WatchdError
from watchd.phone.notice import PRIORITIES, Kind, Notice, Waiting
from watchd.phone.plan import HOUR_S
from watchd.shell.phone.schema import SCHEMA, VERSION

MOST_SEEN = 10_000
MOST_NUMBERS = 999  # a person types them
DAY_S = 86_400.0
log = structlog.get_logger("watchd")

# Which priorities each URL gets, by what the queue calls the URL.
Targets = Mapping[str, frozenset[str]]


@dataclass(frozen=True, slots=True)
class Lost:
    """What was not handed on, and is yet to be said."""

    dropped: int
    given_up: int


class Queue:
    """One file, for one process. `most`: notices that may wait."""

    def __init__(self, path: Path, most: int) -> None:
        self._path, self._most = path, most
        try:
            self._db = _opened(path)
        except sqlite3.OperationalError as error:
            raise WatchdError(Problem(_why_not(error), Place(str(path)))) from error
        except sqlite3.DatabaseError as error:
            aside = _set_aside(path)
            log.warning(
                "the queue is damaged; another one is begun", kept=str(aside), why=str(error)
            )
            self._db = _opened(path)

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def take(self, notice: Notice, now: float, targets: Targets) -> int | None:
        """Keep it for those URLs that get its priority; its number.

        None where the same was taken before, or no URL gets it.
        """
        with self._writes():
            if not self._is_new(notice.identity):
                return None
            return self._add(notice, now, targets)

    def know(self, identity: str) -> None:
        """Take it for one that was told."""
        with self._writes():
            self._is_new(identity)

    def knows_any(self) -> bool:
        """Whether anything was ever taken."""
        return self._db.execute("SELECT 1 FROM seen LIMIT 1").fetchone() is not None

    def waiting(self, target: str) -> list[Waiting]:
        """What this URL has not got yet, in the order in which it came."""
        rows = self._db.execute(
            "SELECT identity, kind, priority, title, body, at, alarm, number, came_at, tries, key"
            " FROM turns JOIN notices ON key = notice WHERE target = ? AND had = 0 ORDER BY key",
            (target,),
        )
        return [
            Waiting(Notice(i, Kind(kind), p, title, body, at, alarm), number, came_at, tries, key)
            for i, kind, p, title, body, at, alarm, number, came_at, tries, key in rows
        ]

    def sent_at(self, target: str) -> list[float]:
        """When it got what counts for the hour."""
        return [at for (at,) in self._db.execute("SELECT at FROM sent WHERE target = ?", (target,))]

    def handed_on(self, target: str, these: Sequence[Waiting], now: float, *, counts: bool) -> None:
        """It has these now. `counts`: for the messages of the hour."""
        with self._writes() as db:
            db.executemany(
                "UPDATE turns SET had = 1 WHERE notice = ? AND target = ?",
                [(w.key, target) for w in these],
            )
            self._forget_done()
            db.execute("DELETE FROM sent WHERE at < ? OR at > ?", (now - HOUR_S, now + HOUR_S))
            if counts:
                db.execute("INSERT INTO sent VALUES (?, ?)", (target, now))

    def failed(self, target: str, these: Sequence[Waiting]) -> None:
        """It did not take these."""
        with self._writes() as db:
            db.executemany(
                "UPDATE turns SET tries = tries + 1 WHERE notice = ? AND target = ?",
                [(w.key, target) for w in these],
            )

    def give_up(self, before: float) -> int:
        """Drop what came before this moment; how many that were."""
        with self._writes() as db:
            gone = db.execute("DELETE FROM notices WHERE came_at < ?", (before,)).rowcount
            if gone:
                self._count("given_up", gone)
            return gone

    def change_targets(self, targets: Targets) -> None:
        """URLs were changed: what waits for one that is gone goes to those that are there and did
        not have it. So a wrong one can be put right without losing what waits for it.
        """
        with self._writes() as db:
            known = json.dumps(list(targets))
            gone = db.execute(
                "SELECT DISTINCT key, priority FROM turns JOIN notices ON key = notice"
                " WHERE had = 0 AND target NOT IN (SELECT value FROM json_each(?))",
                (known,),
            ).fetchall()
            for key, priority in gone:
                db.executemany(
                    "INSERT OR IGNORE INTO turns (notice, target) VALUES (?, ?)",
                    [(key, t) for t, priorities in targets.items() if priority in priorities],
                )
            db.execute(
                "DELETE FROM turns WHERE target NOT IN (SELECT value FROM json_each(?))", (known,)
            )
            nobodys = db.execute(
                "DELETE FROM notices WHERE NOT EXISTS (SELECT 1 FROM turns WHERE notice = key)"
            ).rowcount
            if nobodys:
                self._count("dropped", nobodys)
            self._forget_done()

    def lost(self, now: float) -> Lost | None:
        """What was dropped and given up, to be said now: once a day at most. `was_said` follows."""
        lost = Lost(int(self.kept("dropped") or 0), int(self.kept("given_up") or 0))
        said_at = float(self.kept("lost_said_at") or "-inf")
        return lost if (lost.dropped or lost.given_up) and abs(now - said_at) >= DAY_S else None

    def say_lost(self, notice: Notice, now: float, targets: Targets) -> None:
        """Keep the notice that says so, and begin to count anew, both or neither."""
        with self._writes() as db:
            db.execute("DELETE FROM kept WHERE name IN ('dropped', 'given_up')")
            self._add(notice, now, targets)  # for which another one may have to go
            self._keep("lost_said_at", repr(now))

    def alarm_of(self, number: int) -> str | None:
        """The alarm that a message of this number was about."""
        row = self._db.execute("SELECT alarm FROM numbers WHERE number = ?", (number,)).fetchone()
        return None if row is None else str(row[0])

    def number_of(self, alarm: str) -> int:
        """The newest number of an alarm; a new one where it has none."""
        row = self._db.execute(
            "SELECT number FROM numbers WHERE alarm = ? ORDER BY key DESC", (alarm,)
        ).fetchone()
        if row is not None:
            return int(row[0])
        with self._writes():
            return self._numbered(alarm)

    def kept(self, name: str) -> str | None:
        """What was kept under this name."""
        row = self._db.execute("SELECT value FROM kept WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    def keep(self, name: str, value: str) -> None:
        """Keep it over a restart."""
        with self._writes():
            self._keep(name, value)

    def count(self) -> int:
        """How many notices wait."""
        return int(self._db.execute("SELECT count(*) FROM notices").fetchone()[0])

    # --- inside a transaction ---

    @contextmanager
    def _writes(self) -> Iterator[sqlite3.Connection]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield self._db
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")

    def _is_new(self, identity: str) -> bool:
        added = self._db.execute("INSERT OR IGNORE INTO seen (identity) VALUES (?)", (identity,))
        if not added.rowcount:
            return False
        self._db.execute(
            "DELETE FROM seen WHERE key <= (SELECT max(key) FROM seen) - ?", (MOST_SEEN,)
        )
        return True

    def _add(self, notice: Notice, now: float, targets: Targets) -> int | None:
        takers = [t for t, priorities in targets.items() if notice.priority in priorities]
        if not takers:
            return None
        number = self._numbered(notice.alarm)
        key = self._db.execute(
            "INSERT INTO notices (number, identity, kind, priority, title, body, at, came_at,"
            " alarm) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                number, notice.identity, str(notice.kind), notice.priority, notice.title,
                notice.body, notice.at, now, notice.alarm,
            ),
        ).lastrowid  # fmt: skip
        self._db.executemany(
            "INSERT INTO turns (notice, target) VALUES (?, ?)", [(key, t) for t in takers]
        )
        self._bound()
        return number

    def _bound(self) -> None:
        over = self.count() - self._most
        if over > 0:
            self._db.execute(
                "DELETE FROM notices WHERE key IN (SELECT notices.key FROM notices"
                " JOIN json_each(?) ON value = priority WHERE identity NOT LIKE 'lost:%'"
                " ORDER BY json_each.key DESC, notices.key LIMIT ?)",
                (json.dumps(PRIORITIES), over),
            )
            self._count("dropped", over)

    def _numbered(self, alarm: str | None) -> int:
        if alarm is None:
            return 0
        last = int(self.kept("number") or 0)
        number = last % MOST_NUMBERS + 1
        self._keep("number", str(number))
        order = int(self.kept("order") or 0) + 1
        self._keep("order", str(order))
        self._db.execute("INSERT OR REPLACE INTO numbers VALUES (?, ?, ?)", (number, alarm, order))
        return number

    def _forget_done(self) -> None:
        self._db.execute(
            "DELETE FROM notices WHERE NOT EXISTS"
            " (SELECT 1 FROM turns WHERE notice = key AND had = 0)"
        )

    def _count(self, name: str, more: int) -> None:
        self._keep(name, str(int(self.kept(name) or 0) + more))

    def _keep(self, name: str, value: str) -> None:
        self._db.execute("INSERT OR REPLACE INTO kept VALUES (?, ?)", (name, value))


def _opened(path: Path) -> sqlite3.Connection:
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    # Its texts tell of the bank, and its owner alone reads them.
    os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
    db = sqlite3.connect(path, isolation_level=None, timeout=1.0)
    try:
        # One process at a time: two would tell everything twice.
        db.execute("PRAGMA locking_mode = EXCLUSIVE")
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA foreign_keys = ON")
        _prepare(db, path)
    except BaseException:
        db.close()
        raise
    return db


def _prepare(db: sqlite3.Connection, path: Path) -> None:
    """Make the tables of a new file; refuse those of another version."""
    db.execute("BEGIN IMMEDIATE")
    version = db.execute("PRAGMA user_version").fetchone()[0]
    if version == 0:
        for statement in SCHEMA.split(";"):
            db.execute(statement)
        db.execute(f"PRAGMA user_version = {VERSION}")
    elif version != VERSION:
        raise _of_another_version(version, path)
    db.execute("COMMIT")


def _of_another_version(version: int, path: Path) -> WatchdError:
    what = f"this queue is of another watchd (version {version}, not {VERSION})"
    return WatchdError(Problem(what, Place(str(path))))


def _why_not(error: sqlite3.OperationalError) -> str:
    if "locked" in str(error):
        return "another `watchd bridge` has it open"
    return f"the queue cannot be opened: {error}"


def _set_aside(path: Path) -> Path:
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    path.rename(aside)
    for more in ("-wal", "-shm"):
        path.with_name(path.name + more).unlink(missing_ok=True)
    return aside
