"""A copy of the store while the service runs."""

from __future__ import annotations

import os
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from watchd.shell.store.contents import DamagedError
from watchd.shell.store.damage import as_damage, look_at, reader

# A few at a time, with a pause: the card is the service's too. 500 MB wait 10 s in all.
PAGES = 256
PAUSE_S = 0.02


@dataclass(frozen=True, slots=True)
class Copied:
    """What a copy holds. Times are Unix s, of the newest message in a block; None without any."""

    size_bytes: int
    version: int
    saved_at: float | None
    journal_entries: int
    telemetry_blocks: int
    telemetry_from: float | None
    telemetry_to: float | None


def back_up(
    source: Path, target: Path, *, progress: Callable[[int, int], None] | None = None
) -> Copied:
    """Copy, check, and put in the place of `target`, whole or not at all.

    Raises DamagedError where the copy is damaged, sqlite3.Error or OSError.
    """
    if not source.is_file():
        raise FileNotFoundError(2, "No such file or directory", str(source))
    look_at(source)
    with _beside(target) as part:
        try:
            with closing(reader(source)) as store, closing(sqlite3.connect(part)) as copy:
                # One moment of the store for all of the copy. Without it each write of the service
                # begins the copy anew: https://www.sqlite.org/backup.html
                store.execute("BEGIN")
                store.execute("SELECT COUNT(*) FROM sqlite_schema").fetchone()
                store.backup(copy, pages=PAGES, progress=_after_each(progress))
                copied = _looked_through(copy)
        except sqlite3.Error as error:
            raise as_damage(error) or error from error
        with part.open("rb") as stream:
            os.fsync(stream.fileno())
        part.replace(target)
    folder = os.open(target.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
    return copied


def _after_each(
    progress: Callable[[int, int], None] | None,
) -> Callable[[int, int, int], None]:
    def pause(_status: int, remaining: int, total: int) -> None:
        time.sleep(PAUSE_S)
        if progress is not None:
            progress(total - remaining, total)

    return pause


def _looked_through(copy: sqlite3.Connection) -> Copied:
    # One file that needs no other beside it; the service makes its -wal again.
    copy.execute("PRAGMA journal_mode=DELETE")
    told = copy.execute("PRAGMA quick_check(1)").fetchone()[0]
    if told != "ok":
        raise DamagedError(" ".join(str(told).split()))

    def one(query: str) -> tuple[int | float | None, ...]:
        row: tuple[int | float | None, ...] = copy.execute(query).fetchone() or (None,)
        return row

    blocks, begin, end = one("SELECT COUNT(*), MIN(last_at), MAX(last_at) FROM telemetry")
    pages, page_size = one("PRAGMA page_count")[0], one("PRAGMA page_size")[0]
    return Copied(
        size_bytes=int(pages or 0) * int(page_size or 0),
        version=int(one("PRAGMA user_version")[0] or 0),
        saved_at=one("SELECT at FROM snapshot WHERE id = 1")[0],
        journal_entries=int(one("SELECT COUNT(*) FROM journal")[0] or 0),
        telemetry_blocks=int(blocks or 0),
        telemetry_from=begin,
        telemetry_to=end,
    )


@contextmanager
def _beside(target: Path) -> Iterator[Path]:
    """An empty file in the same folder; it is gone afterwards unless it was renamed."""
    handle, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
    os.close(handle)
    part = Path(name)
    try:
        yield part
    finally:
        for left in (part, part.with_name(part.name + "-journal")):
            left.unlink(missing_ok=True)
