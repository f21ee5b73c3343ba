"""Why the disk refuses, in words for the keeper."""

from __future__ import annotations

import errno
import os
import sqlite3
import tempfile
from pathlib import Path

_PROBE = b"\0" * 65_536
_WORDS = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk quota is used up",
    errno.EROFS: "the disk is read-only",
    errno.EACCES: "no permission to write {folder}",
    errno.EPERM: "no permission to write {folder}",
    errno.ENOENT: "the folder {folder} is missing",
    errno.ENOTDIR: "{folder} is not a folder",
    errno.EEXIST: "{folder} is not a folder",
    errno.EISDIR: "{path} is a folder",
    errno.EIO: "the disk fails when it is read or written",
}


def reason(path: Path, error: Exception) -> str:
    """What is wrong with the disk, from an error that SQLite or the system gave.

    SQLite does not say what the system told it, so the folder is tried. No connection to the file
    may be open in this process: to close it here would end SQLite's locks
    (https://www.sqlite.org/howtocorrupt.html#_posix_advisory_locks_canceled_by_a_separate_thread_doing_close_).
    """
    if isinstance(error, OSError):
        return _words(path, error)
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code == sqlite3.SQLITE_FULL:
        return _WORDS[errno.ENOSPC]
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return "another program holds the file"
    try:
        _probe(path)
    except OSError as found:
        return _words(path, found)
    return f"the disk fails: {error}"


def _probe(path: Path) -> None:
    """Raises OSError where the file or its folder cannot be written."""
    if path.exists():
        os.close(os.open(path, os.O_RDWR))
    with tempfile.TemporaryFile(dir=path.parent) as stream:
        stream.write(_PROBE)
        stream.flush()
        os.fsync(stream.fileno())


def _words(path: Path, error: OSError) -> str:
    words = _WORDS.get(error.errno or 0, "{error}")
    return words.format(path=path, folder=path.parent, error=error.strerror or error)
