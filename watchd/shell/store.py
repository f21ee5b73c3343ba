"""What the service keeps over a restart: the newest snapshot of the engine, in SQLite."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

SCHEMA = 1


class Store:
    """One small database file. Errors are sqlite3.Error or OSError, for the caller to tell."""

    def __init__(self, path: Path) -> None:
        self._path = path
        path.parent.mkdir(parents=True, exist_ok=True)
        # One connection, used by one thread at a time, though not always the same.
        self._db = sqlite3.connect(path, timeout=5.0, check_same_thread=False)
        try:
            self._db.executescript(
                "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL;"
                f"PRAGMA user_version={SCHEMA};"
                "CREATE TABLE IF NOT EXISTS snapshot"
                " (id INTEGER PRIMARY KEY CHECK (id = 1), at REAL NOT NULL, state TEXT NOT NULL);"
            )
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

    def save(self, state: dict[str, Any]) -> None:
        """Put a snapshot in the place of the last one, in one transaction."""
        with self._db:
            self._db.execute(
                "INSERT INTO snapshot (id, at, state) VALUES (1, ?, ?)"
                " ON CONFLICT (id) DO UPDATE SET at = excluded.at, state = excluded.state",
                (state.get("at", 0.0), json.dumps(state, separators=(",", ":"))),
            )

    def close(self) -> None:
        """Close the file."""
        self._db.close()
