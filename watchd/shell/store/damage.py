"""What counts as damage, how a file is set aside, and what a damaged one still gives."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from watchd.messages import JournalEntry
from watchd.shell.store.contents import DamagedError, unpack_state
from watchd.shell.store.schema import SCHEMA

MOST_DAMAGED = 3
MOST_SALVAGED = 20_000  # entries of the journal, about 10 MB: the newest
PARTS = ("", "-wal", "-shm")
_MAGIC = b"SQLite format 3\0"
_VERSION_AT = (
    60  # user_version in the header: https://www.sqlite.org/fileformat.html#user_version_number
)


def as_damage(error: sqlite3.Error) -> DamagedError | None:
    """The damage behind an error of SQLite; None for one of the disk, or of another program."""
    # An extended code has the primary one in its lowest byte.
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    lacks_table = code == sqlite3.SQLITE_ERROR and "no such " in str(error)
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB) or lacks_table:
        return DamagedError(str(error))
    return None


def look_at(path: Path) -> None:
    """Raises DamagedError for what shows without opening the database, OSError for the rest."""
    if not path.exists():
        if path.with_name(path.name + "-wal").exists():
            raise DamagedError("the file is gone, and its -wal is still there")
        return
    with path.open("rb") as stream:
        header = stream.read(100)
    if len(header) < 100:
        raise DamagedError("the file is empty" if not header else "the file is cut off")
    if not header.startswith(_MAGIC):
        raise DamagedError("the file is not a database")
    _not_newer(int.from_bytes(header[_VERSION_AT : _VERSION_AT + 4], "big"))
    # What a newer watchd wrote last may still be in the -wal alone. To read it changes nothing.
    try:
        with closing(reader(path)) as db:
            _not_newer(db.execute("PRAGMA user_version").fetchone()[0])
    except sqlite3.Error as error:
        damage = as_damage(error)
        if damage is not None:
            raise damage from error


def _not_newer(version: int) -> None:
    if version > SCHEMA:
        raise DamagedError(f"it is of version {version}; this watchd knows {SCHEMA}", newer=True)


def reader(path: Path, *, immutable: bool = False) -> sqlite3.Connection:
    """A connection that only reads, also while the service writes."""
    how = "immutable=1" if immutable else "mode=ro"
    return sqlite3.connect(
        f"{path.absolute().as_uri()}?{how}",
        uri=True,
        timeout=5.0,
        isolation_level=None,
        check_same_thread=False,
    )


@dataclass(frozen=True, slots=True)
class SetAside:
    """A file that was set aside: where it is now, why, and how many older ones were deleted."""

    path: Path
    damage: DamagedError
    deleted: int = 0


def set_aside(path: Path, damage: DamagedError, now: float) -> SetAside:
    """Rename the file and what belongs to it. Raises OSError; nothing may have it open."""
    word = "newer" if damage.newer else "damaged"
    moment = datetime.fromtimestamp(now, UTC).strftime("%Y%m%dT%H%M%SZ")
    name, number = f"{path.name}.{word}-{moment}", 1
    while any((path.parent / f"{name}{part}").exists() for part in PARTS):
        number += 1
        name = f"{path.name}.{word}-{moment}-{number}"
    # The database last: whatever ends this in between, the next start sees what is left.
    for part in reversed(PARTS):
        with suppress(FileNotFoundError):
            path.with_name(path.name + part).rename(path.with_name(name + part))
    return SetAside(path.with_name(name), damage, _delete_older(path, name))


def _delete_older(path: Path, newest: str) -> int:
    """Delete damaged files beyond the newest few; never the one just set aside, since the clock
    may be wrong. How many."""
    parts = tuple(part for part in PARTS if part)
    others = [
        found
        for found in path.parent.glob(f"{path.name}.damaged-*")
        if found.name != newest and not found.name.endswith(parts)
    ]
    # When it was renamed, as the file system knows it.
    others.sort(key=lambda found: (found.stat().st_ctime_ns, found.name), reverse=True)
    old = others[MOST_DAMAGED - 1 :]
    for found in old:
        for part in PARTS:
            found.with_name(found.name + part).unlink(missing_ok=True)
    return len(old)


def salvaged_state(path: Path) -> tuple[dict[str, Any] | None, int]:
    """The state in a damaged file and the inputs that it covers, if they can still be read."""
    with suppress(sqlite3.Error, OSError, ValueError), closing(reader(path)) as db:
        row = db.execute("SELECT upto, state FROM snapshot WHERE id = 1").fetchone()
        if row is not None:
            return unpack_state(row[1]), int(row[0])
    with suppress(sqlite3.Error, OSError, ValueError, RecursionError), closing(reader(path)) as db:
        # As version 2 has it.
        row = db.execute("SELECT CAST(state AS BLOB) FROM snapshot WHERE id = 1").fetchone()
        state = json.loads(row[0]) if row is not None else None
        return (state if isinstance(state, dict) else None), 0
    return None, 0


def salvaged_journal(path: Path) -> list[JournalEntry]:
    """The newest entries that a damaged file still gives, oldest first."""
    found: dict[int, JournalEntry] = {}
    # From both ends, each until it meets the damage.
    for order in ("DESC", "ASC"):
        with suppress(sqlite3.Error, OSError), closing(reader(path)) as db:
            for number, entry in _entries(db, order):
                if number in found or len(found) >= MOST_SALVAGED:
                    break
                found[number] = entry
    return [found[number] for number in sorted(found)]


def _entries(db: sqlite3.Connection, order: str) -> Iterator[tuple[int, JournalEntry]]:
    for number, raw in db.execute(
        f"SELECT id, CAST(entry AS BLOB) FROM journal ORDER BY id {order}"  # noqa: S608 - a word of ours
    ):
        try:
            entry = json.loads(raw)
            if isinstance(entry["at"], int | float) and isinstance(entry["alarm"], str):
                yield number, entry
        except (ValueError, TypeError, KeyError, RecursionError):
            continue
