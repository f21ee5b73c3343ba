"""The whole file looked through once, in a thread that holds up nobody."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

from watchd.shell.store.damage import as_damage, reader


class Check:
    """`PRAGMA quick_check` on a connection of its own, which reads what was there at its start.

    A file of 500 MB on a slow card takes it half a minute (20 MB/s; from memory) or more.
    """

    def __init__(self, path: Path) -> None:
        self.found: str | None = None  # the damage
        self._path = path
        self._db: sqlite3.Connection | None = None
        self._lock = threading.Lock()
        self._stopped = False
        self._thread = threading.Thread(target=self._run, name="store check", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End it, wherever it is."""
        with self._lock:
            self._stopped = True
            if self._db is not None:
                self._db.interrupt()
        self._thread.join()

    def wait(self) -> None:
        """Wait until it has looked through all of it."""
        self._thread.join()

    def _run(self) -> None:
        try:
            with self._lock:
                if self._stopped:
                    return
                self._db = reader(self._path)
            # One finding is enough.
            told = self._db.execute("PRAGMA quick_check(1)").fetchone()[0]
            self.found = None if told == "ok" else " ".join(str(told).split())
        except sqlite3.Error as error:
            # Interrupted, or a disk that refuses: the writes will tell.
            damage = as_damage(error)
            self.found = str(damage) if damage is not None else None
        finally:
            with self._lock:
                if self._db is not None:
                    self._db.close()
                self._db = None
