"""The store as the service has it: opened again when it failed, another begun when it is damaged.

All but the start runs in threads, one at a time. What goes wrong is told as data (`take_faults`).
"""

from __future__ import annotations

import sqlite3
import threading
import time
from collections import deque
from collections.abc import Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import structlog

from watchd.messages import JournalEntry
from watchd.own_rules import Fault
from watchd.shell.store import DamagedError, Kept, Loaded, Store
from watchd.shell.store.check import Check
from watchd.shell.store.condensing import Condensing
from watchd.shell.store.damage import (
    MOST_DAMAGED,
    MOST_SALVAGED,
    SetAside,
    reader,
    salvaged_journal,
    salvaged_state,
    set_aside,
)
from watchd.shell.store.reading import load_read_only, newest_entries
from watchd.shell.store.reasons import reason
from watchd.shell.store.waiting import Waiting

FIRST_PAUSE_S = 2.0
LONGEST_PAUSE_S = 300.0
log = structlog.get_logger("watchd")


@dataclass(frozen=True, slots=True)
class Job:
    """What is to be written: a state with the journal up to an entry, and all telemetry packed.

    `is_base`: the telemetry goes as far as the state. `oldest_s`: telemetry that ended so long
    before its newest (s) goes; None for none.
    """

    state: dict[str, Any] | None
    upto: int
    is_base: bool
    through: int
    oldest_s: float | None
    most_bytes: int
    minutes_s: float = float("inf")  # as `oldest_s`, for minutes and trends of the history


class Disk:
    """The file, whatever happens to it."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._faults: deque[tuple[Fault, str | None]] = deque()
        self._store: Store | None = None
        self._fault: str | None = None
        self._says_dropped = False
        self._pause_s, self._retry_at = FIRST_PAUSE_S, 0.0
        self._aside: SetAside | None = None  # its journal is still to be taken over
        self._lacks_state = False
        self._says_damage = False
        self._check: Check | None = None
        self.loaded = self._begin()

    # --- what the loop asks ---

    def take_faults(self) -> list[tuple[Fault, str | None]]:
        """What went wrong, or is right again (None), since the last call."""
        found = []
        while self._faults:
            found.append(self._faults.popleft())
        return found

    def pauses(self) -> bool:
        """Whether it failed so lately that it is not tried again yet."""
        return time.monotonic() < self._retry_at

    def wants_state(self) -> bool:
        """Whether there is something to do that needs the state of the engine."""
        damaged = self._check is not None and self._check.found is not None
        return damaged or self._lacks_state or self._fault is not None

    # --- in a thread ---

    def write(self, job: Job, waiting: Waiting) -> bool:
        """Write it; whether the state is saved. What could not be written goes on waiting."""
        with self._lock:
            waiting.pack()
            if job.state is None and self.pauses():
                self._tell_dropped(waiting)
                return False
            done: set[str] = set()
            try:
                self._set_aside_what_the_check_found()
                try:
                    self._write(job, waiting, done)
                except DamagedError as damage:
                    # Once more, on a new file.
                    self._put_aside(damage)
                    done.clear()
                    self._write(job, waiting, done)
            except (OSError, sqlite3.Error, DamagedError) as error:
                self._failed(error)
                self._tell_dropped(waiting)
            else:
                self._worked(waiting)
            return "state" in done

    def next_waiting(self, running: Sequence[int]) -> Condensing | None:
        """A day of the history to condense, those that run aside.

        Raises sqlite3.Error or DamagedError, as the next does.
        """
        with self._lock:
            return None if self._store is None else self._store.next_waiting(running)

    def condense(self, condensing: Condensing) -> bool:
        """Go one block on with it; whether there is more to do."""
        with self._lock:
            return self._store is not None and self._store.condense(condensing)

    def journal(
        self, alarm: str | None, since: float, most: int, waiting: Waiting
    ) -> list[JournalEntry]:
        """The newest entries, oldest first, with those that still wait to be written.

        Raises sqlite3.Error, DamagedError or ValueError.
        """
        with self._lock:
            # A disk that cannot be written can mostly still be read.
            read = self._store.entries if self._store is not None else self._read_entries
            written = read(alarm, since, most)
            unwritten = [
                entry
                for entry in waiting.entries()
                if entry["at"] >= since and alarm in (None, entry["alarm"])
            ]
        return [*written, *unwritten][-most:]

    def _read_entries(self, alarm: str | None, since: float, most: int) -> list[JournalEntry]:
        with closing(reader(self._path)) as db:
            return newest_entries(db, alarm, since, most)

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._close()

    # --- at the start ---

    def _begin(self) -> Loaded:
        try:
            self._store = Store(self._path)
            loaded = self._store.load()
            self._check = Check(self._path)
            return loaded
        except DamagedError as damage:
            return self._begin_anew(damage)
        except (OSError, sqlite3.Error) as error:
            self._failed(error)
            return load_read_only(self._path)

    def _begin_anew(self, damage: DamagedError) -> Loaded:
        where = self._path
        try:
            self._put_aside(damage)
            if self._aside is not None:
                where = self._aside.path
            self._store = Store(self._path)
        except (OSError, sqlite3.Error) as error:
            self._failed(error)
        return Loaded() if damage.newer else Loaded(*salvaged_state(where))

    # --- one write ---

    def _write(self, job: Job, waiting: Waiting, done: set[str]) -> None:
        store = self._opened()
        self._take_over_journal(store)
        if job.state is not None:
            store.save(job.state, waiting.entries(job.through), job.upto, is_base=job.is_base)
            waiting.saved(job.through)
            done.add("state")
            self._lacks_state = False
        while (ready := waiting.first()) is not None:
            oldest = float("-inf") if job.oldest_s is None else ready.last_at - job.oldest_s
            oldest_minute = ready.last_at - job.minutes_s
            store.keep(
                Kept(
                    ready.block,
                    ready.upto,
                    oldest,
                    job.most_bytes,
                    ready.samples,
                    oldest_minute,
                    ready.trends,
                )
            )
            waiting.kept()

    def _opened(self) -> Store:
        if self._store is not None and not self._store.is_in_place():
            self._close()
            self._lacks_state = True
            if not self._path.exists():
                self._say_damage("the file was deleted while watchd ran; what it held is lost")
        if self._store is None:
            self._store = Store(self._path)
        return self._store

    def _set_aside_what_the_check_found(self) -> None:
        if self._check is not None and self._check.found is not None:
            self._put_aside(DamagedError(self._check.found))

    def _put_aside(self, damage: DamagedError) -> None:
        self._close()
        self._aside = set_aside(self._path, damage, time.time())
        self._lacks_state = True

    def _take_over_journal(self, store: Store) -> None:
        """From a file that was set aside; and say all of it."""
        if self._aside is None:
            return
        aside = self._aside
        entries = [] if aside.damage.newer else salvaged_journal(aside.path)
        store.take_over(entries)
        self._aside = None
        kept = f"kept as {aside.path.name}"
        if aside.damage.newer:
            text = f"{aside.damage}; {kept}, unchanged; begun without its state and history"
        else:
            newest = "the newest " if len(entries) >= MOST_SALVAGED else ""
            text = (
                f"damaged ({aside.damage}); {kept}; taken over: {newest}{len(entries):,} journal "
                "entries; telemetry before is in that file alone"
            )
        if aside.deleted:
            text += f"; older damaged files deleted: {aside.deleted} ({MOST_DAMAGED} are kept)"
        self._say_damage(text)

    def _say_damage(self, text: str) -> None:
        log.warning("the store was set aside and another begun", store=str(self._path), why=text)
        self._faults.append((Fault.DAMAGE, text))
        self._says_damage = True

    def _close(self) -> None:
        if self._check is not None:
            self._check.stop()
            self._check = None
        if self._store is not None:
            with suppress(sqlite3.Error):
                self._store.close()
            self._store = None

    # --- how it went ---

    def _worked(self, waiting: Waiting) -> None:
        if self._says_damage and not self._faults:
            # The alarm latches; the condition is over with the first write after it was told.
            self._faults.append((Fault.DAMAGE, None))
            self._says_damage = False
        if self._fault is None:
            return
        log.info("the store is written again", lost=str(waiting.take_dropped()))
        self._faults.append((Fault.STORE, None))
        self._fault, self._says_dropped = None, False
        self._pause_s, self._retry_at = FIRST_PAUSE_S, 0.0

    def _failed(self, error: Exception) -> None:
        # A connection that was opened while the disk was read-only stays so. One that met a full
        # disk has room in its -wal, which it would lose.
        if getattr(error, "sqlite_errorcode", 0) != sqlite3.SQLITE_FULL:
            self._close()
        why = reason(self._path, error)
        self._retry_at = time.monotonic() + self._pause_s
        if why != self._fault:
            log.warning("the store cannot be written", store=str(self._path), reason=why)
            self._faults.append((Fault.STORE, why))
        self._fault = why
        self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)

    def _tell_dropped(self, waiting: Waiting) -> None:
        if waiting.dropped and not self._says_dropped and self._fault is not None:
            self._says_dropped = True
            log.warning("what waits for the store no longer fits; the oldest is dropped")
            text = f"{self._fault}; memory is full of what waits, and the oldest is dropped"
            self._faults.append((Fault.STORE, text))
