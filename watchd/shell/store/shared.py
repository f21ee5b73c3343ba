"""What daemons share in a PostgreSQL database: each bank's state, so that it can move; the journal.

The file stays the store of each daemon, so that its watch and its start need no server. While the
server is away, what waits is bounded: the newest state, and some journal.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Mapping
from typing import Any

import structlog

from watchd.bank_parts import bank_of, split
from watchd.errors import WatchdError
from watchd.messages import JournalEntry
from watchd.shell.store.postgresql import NewerError, Tables

MOST_ENTRIES = 10_000
FIRST_PAUSE_S, LONGEST_PAUSE_S = 2.0, 60.0
LONGEST_REASON = 200
log = structlog.get_logger("watchd")


class Shared:
    """Writes to the database in a thread, and tells as data how it goes (`take_fault`).

    `banks` is the bank of each pack.
    """

    def __init__(self, conninfo: str, instance: int, banks: Mapping[str, str]) -> None:
        self._conninfo, self._instance, self._banks = conninfo, instance, banks
        self._lock = threading.Lock()
        self._tables: Tables | None = None
        self._state: Mapping[str, Any] | None = None
        self._entries: deque[JournalEntry] = deque()
        self._dropped = 0
        self._fault: str | None = None
        self._told: str | None = None
        self._pause_s, self._retry_at = FIRST_PAUSE_S, 0.0

    def state(self, state: Mapping[str, Any]) -> None:
        """An engine's snapshot, to be written soon."""
        self._state = state

    def journal(self, entry: JournalEntry) -> None:
        """An entry of the journal, to be written soon."""
        if len(self._entries) >= MOST_ENTRIES:
            self._entries.popleft()
            self._dropped += 1
        self._entries.append(entry)

    def is_due(self) -> bool:
        """Whether there is something to write, and the last attempt is long enough ago."""
        waits = self._state is not None or bool(self._entries)
        return waits and time.monotonic() >= self._retry_at

    def load(self, banks: list[str]) -> dict[str, dict[str, Any]]:
        """The states of these banks; nothing where the server is away, which is told."""
        with self._lock:
            try:
                return self._opened().states(banks)
            except Exception as error:  # noqa: BLE001 - psycopg is imported where it is used
                self._failed(error)
                return {}

    def write(self) -> bool:
        """Write what waits; whether it is written. What could not be goes on waiting."""
        with self._lock:
            state, entries = self._state, list(self._entries)
            parts = split(state, self._banks) if state is not None else {}
            told = [(bank_of(e["alarm"].partition("/")[2], self._banks), e) for e in entries]
            try:
                self._opened().save(self._instance, parts, told)
            except Exception as error:  # noqa: BLE001 - as above; the watch goes on, whatever it is
                self._failed(error)
                return False
            if self._state is state:
                self._state = None
            for entry in entries:
                if self._entries and self._entries[0] is entry:
                    self._entries.popleft()
            self._worked()
            return True

    def fault(self) -> str | None:
        """What is wrong, for people."""
        return self._fault

    def close(self) -> None:
        """Close the connection."""
        with self._lock:
            self._close()

    def _opened(self) -> Tables:
        if self._tables is None:
            self._tables = Tables(self._conninfo)
        return self._tables

    def _close(self) -> None:
        tables, self._tables = self._tables, None
        if tables is not None:
            tables.close()

    def _failed(self, error: Exception) -> None:
        self._close()
        self._retry_at = time.monotonic() + self._pause_s
        self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)
        why = _reason(error)
        if self._dropped:
            why += "; memory is full of what waits, and the oldest of the journal is dropped"
        if why != self._fault:
            log.warning("the shared database cannot be written", reason=why)
        self._fault = why

    def _worked(self) -> None:
        if self._fault is not None:
            log.info("the shared database is written again", lost_entries=self._dropped)
        self._fault, self._dropped = None, 0
        self._pause_s, self._retry_at = FIRST_PAUSE_S, 0.0


def _reason(error: Exception) -> str:
    """A line for people. psycopg's texts have hosts and names in them, and never a password.

    Why it failed is in the first line; hints, and where in a statement it was, follow.
    """
    if isinstance(error, NewerError | WatchdError):
        return f"PostgreSQL: {error}"
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    return f"PostgreSQL: {lines[0] if lines else type(error).__name__}"[:LONGEST_REASON]
