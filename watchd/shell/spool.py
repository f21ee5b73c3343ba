"""The inputs since the last save, in memory that outlives the process.

A file in a folder that is held in memory (systemd's RuntimeDirectory=) is there after a crash or a
kill, and gone after a power cut; it wears no SD card, and an input is written in microseconds.
After a power cut the state on the disk is what there is, at most five minutes old, or a second
where an alarm changed.

Inputs have running numbers, so that a saved state can say which of them it holds.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import struct
import zlib
from collections.abc import Iterator, Mapping
from itertools import pairwise
from pathlib import Path

import structlog

from watchd.shell.inputs import Input, decode, encode

MOST_BYTES = 32_000_000
MOST_ATTEMPTS = 2
_FRAME = struct.Struct("<II")  # length and CRC-32 of what follows
_SUFFIX = ".inputs"
log = structlog.get_logger("watchd")


def spool_folder(store: str, environment: Mapping[str, str] = os.environ) -> Path | None:
    """A folder in memory for the spool of a store; None where the system gives none.

    systemd names it in RUNTIME_DIRECTORY; a login session has XDG_RUNTIME_DIR.
    """
    of_service = environment.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if of_service:
        return Path(of_service) / "spool"
    of_session = environment.get("XDG_RUNTIME_DIR")
    if of_session:
        name = hashlib.sha256(os.fsencode(Path(store).absolute())).hexdigest()[:16]
        return Path(of_session) / "watchd" / name
    return None


class Spool:
    """Keeps inputs until `forget` says that a saved state holds them.

    Without a folder, or where the folder refuses, it only counts. A hole ends what can be told
    again, until the next save: `begin_anew` starts a new file then.
    """

    def __init__(self, folder: Path | None) -> None:
        self._folder, self._lock = _taken(folder)
        self._stream = -1
        self._bytes = 0
        self.last = 0  # the number of the newest input

    @property
    def folder(self) -> Path | None:
        """Where it is kept; None where it is not."""
        return self._folder

    @property
    def is_full(self) -> bool:
        """Whether it is time for a save, however short ago the last one was."""
        return self._bytes > MOST_BYTES

    def read(self, after: int) -> Iterator[Input]:
        """The inputs after a number, as far as they follow without a hole."""
        self.last = after
        for path in self._files():
            first = _first(path)
            if first > self.last + 1:
                return
            for number, data in enumerate(_frames(path), first):
                if number <= self.last:
                    continue
                try:
                    given = decode(data)
                except ValueError as error:
                    log.warning("the spool ends early", reason=str(error), file=str(path))
                    return
                self.last = number
                yield given

    def attempts(self) -> int:
        """How many times in a row the inputs were begun to be read, with this one.

        An input that kills the process would do so at every start.
        """
        if self._folder is None:
            return 1
        mark = self._folder / "reading"
        try:
            before = mark.stat().st_size if mark.exists() else 0
            with mark.open("ab") as stream:
                stream.write(b".")
        except OSError:
            return 1
        return before + 1

    def was_read(self) -> None:
        """They were read to the end."""
        if self._folder is not None:
            (self._folder / "reading").unlink(missing_ok=True)

    def begin_anew(self) -> None:
        """What comes from here on goes into a file of its own; call it when a state is taken."""
        self._close()
        if self._folder is None:
            return
        for path in self._files():
            if _first(path) > self.last + 1:  # of another life of the store
                path.unlink(missing_ok=True)
        path = self._folder / f"{self.last + 1:020d}{_SUFFIX}"
        try:
            self._stream = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        except OSError as error:
            log.warning("inputs are not spooled", reason=error.strerror, folder=str(self._folder))

    def add(self, *given: Input) -> None:
        """Keep inputs, before anything is done because of one of them.

        A state that is saved covers all of them or none: nobody may take one in between.
        """
        self.last += len(given)
        if self._stream < 0:
            return
        frames: list[bytes] = []
        for data in map(encode, given):
            frames += (_FRAME.pack(len(data), zlib.crc32(data)), data)
        whole = b"".join(frames)
        try:
            # One call: a kill cuts between inputs, and a torn one is found by its sum.
            written = os.write(self._stream, whole)
        except OSError as error:
            log.warning("inputs are not spooled", reason=error.strerror, folder=str(self._folder))
            self._close()
            return
        self._bytes += written
        if written != len(whole) or self._bytes > 2 * MOST_BYTES:
            self._close()

    def forget(self, upto: int) -> None:
        """A saved state holds the inputs until this number: files of only those go."""
        files = self._files()
        for path, following in pairwise(files):
            if _first(following) <= upto + 1:
                path.unlink(missing_ok=True)

    def clear(self) -> None:
        """All is saved, and nothing more will come."""
        self._close()
        for path in self._files():
            path.unlink(missing_ok=True)

    def close(self) -> None:
        """Let go of the folder."""
        self._close()
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1

    def _close(self) -> None:
        if self._stream >= 0:
            os.close(self._stream)
        self._stream, self._bytes = -1, 0

    def _files(self) -> list[Path]:
        if self._folder is None:
            return []
        return sorted(p for p in self._folder.glob(f"*{_SUFFIX}") if p.stem.isdecimal())


def _taken(folder: Path | None) -> tuple[Path | None, int]:
    """The folder for us alone, and what holds it."""
    if folder is None:
        return None, -1
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        lock = os.open(folder / "lock", os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as error:
        log.warning("inputs are not spooled", reason=error.strerror, folder=str(folder))
        return None, -1
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(lock)
        log.warning("inputs are not spooled", reason="in use by another watchd", folder=str(folder))
        return None, -1
    return folder, lock


def _first(path: Path) -> int:
    return int(path.stem)


def _frames(path: Path) -> Iterator[bytes]:
    """What was written whole."""
    with path.open("rb") as stream:
        while len(head := stream.read(_FRAME.size)) == _FRAME.size:
            length, checksum = _FRAME.unpack(head)
            if length > 2 * MOST_BYTES:
                return
            data = stream.read(length)
            if len(data) != length or zlib.crc32(data) != checksum:
                return
            yield data
