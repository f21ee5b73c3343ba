"""One small database file: the engine's newest snapshot, the journal of alarms, the telemetry.

Made for years on an SD card with poor power: few and batched writes, each whole or not at all; a
file that is damaged or of a newer version is set aside, and another begun.

    archive.py    when it is written; waiting.py: what waits until then, bounded
    disk.py       opened again, set aside, and what is told of it
    contents.py   what goes in and comes out
    schema.py     tables, version, migrations
    file.py       Store: open, load, save, keep
    lock.py       one daemon to a file
    room.py       what is deleted so that the file keeps its bound
    damage.py     what counts as damage, setting aside, what a damaged file still gives
    reasons.py    why the disk refuses, in words for the keeper
    check.py      the whole file looked through, in a thread of its own
    reading.py    for those who only read: replay, and a start on a disk that is read-only
    backup.py     a copy while the service runs
    samples.py    all SQL of the history; condensing.py: a day's samples into minutes; history.py
                  reads them
"""

from __future__ import annotations

from watchd.shell.store.contents import Block, DamagedError, Kept, Loaded
from watchd.shell.store.file import Store
from watchd.shell.store.reading import read_telemetry

__all__ = ["Block", "DamagedError", "Kept", "Loaded", "Store", "read_telemetry"]
