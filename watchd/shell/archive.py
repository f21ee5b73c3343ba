"""What the service keeps on the disk: when it is written, and what waits until then.

Writes are few, for the sake of SD cards: state and journal within a second of a transition and
else every five minutes, telemetry in blocks of five minutes.
"""

from __future__ import annotations

import asyncio
import json
import sqlite3
import time
from collections import deque
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import structlog

from watchd import config as schema
from watchd.history.recorder import Recorder, Run
from watchd.messages import JournalEntry
from watchd.requests import MOST_ENTRIES, JournalQuery
from watchd.shell.store import Block, Store
from watchd.watch.measured import Measured

SAVE_EVERY_S = 300.0
CHANGED_AFTER_S = 1.0
BLOCK_S = 300.0
BLOCK_BYTES = 4_000_000
MOST_WAITING = 10_000  # entries of the journal, while the disk is full
CONDENSE_EVERY_S = 60.0
BREATH_S = 0.01  # between two blocks of a day: the watching goes first
log = structlog.get_logger("watchd")


class Archive:
    """The store and what waits for it. Without a store (the disk refuses) it keeps nothing."""

    def __init__(self, setting: schema.Store) -> None:
        self._setting = setting
        self._store = _opened(Path(setting.path))
        self._lock = asyncio.Lock()
        self._entries: deque[JournalEntry] = deque(maxlen=MOST_WAITING)
        self._changed_at: float | None = None
        self._saved_at = self._block_began = time.monotonic()
        self._lines: list[bytes] = []
        self._bytes = 0
        self._last_at = 0.0
        self._recorder = Recorder()

    def load(self) -> dict[str, Any] | None:
        """The state that was saved last, if it can be read."""
        try:
            return self._store.load() if self._store is not None else None
        except (sqlite3.Error, ValueError) as error:
            log.warning("the saved state cannot be read; starting without it", reason=str(error))
            return None

    def journal(self, entry: JournalEntry) -> None:
        """A transition of an alarm; it is saved with the next state."""
        self._entries.append(entry)
        self.changed()

    def changed(self) -> None:
        """The state is to be saved soon."""
        self._changed_at = self._changed_at or time.monotonic()

    def record(self, topic: str, payload: bytes, at: float, *, retained: bool) -> None:
        """A message as the engine got it."""
        if self._store is None or not self._setting.keep_raw:
            return
        packed = line_of(topic, payload, at, retained=retained)
        self._lines.append(packed)
        self._bytes += len(packed)
        self._last_at = at

    def sample(self, samples: Sequence[Measured]) -> None:
        """Samples as the engine told them, for the history."""
        if self._store is not None and samples:
            self._recorder.take(samples)
            self._last_at = samples[-1].at

    def is_due(self) -> bool:
        """Whether it is time to write."""
        now = time.monotonic()
        changed = self._changed_at is not None and now - self._changed_at >= CHANGED_AFTER_S
        return self._store is not None and (changed or now - self._saved_at >= SAVE_EVERY_S)

    def overflows(self) -> bool:
        """Whether more telemetry waits than memory should hold."""
        return self._bytes >= BLOCK_BYTES

    async def write(self, state: dict[str, Any] | None, *, last: bool = False) -> None:
        """Save state and journal, and telemetry where a block is full (or it is the last).

        Without a state, telemetry alone.
        """
        store = self._store
        if store is None:
            return
        async with self._lock:
            # A slow card must not hold up alarms. What is taken out to be written is written, even
            # if this task is cancelled meanwhile: a thread goes on.
            if state is not None:
                self._changed_at, self._saved_at = None, time.monotonic()
                entries, self._entries = list(self._entries), deque(maxlen=MOST_WAITING)
                if not await asyncio.to_thread(_saved, store, state, entries):
                    self._entries.extendleft(reversed(entries))
            now = time.monotonic()
            if last or self._block_is_full(now):
                lines, self._lines, self._bytes, self._block_began = self._lines, [], 0, now
                runs = self._recorder.take_runs()
                if lines or runs:
                    await asyncio.to_thread(self._keep, store, self._last_at, lines, runs)

    def _block_is_full(self, now: float) -> bool:
        return now - self._block_began >= BLOCK_S or self.overflows()

    def _keep(self, store: Store, last_at: float, lines: list[bytes], runs: list[Run]) -> None:
        setting = self._setting
        oldest, most_bytes = last_at - setting.keep_raw, setting.most_mb * 1_000_000
        block = Block.of(last_at, lines) if lines else None
        samples = [run.block() for run in runs]
        try:
            store.keep(block, oldest, most_bytes, samples, last_at - setting.keep_minutes)
        except sqlite3.Error as error:
            # It is not tried again: memory has no room for what a full disk does not take.
            log.warning("telemetry could not be kept", reason=str(error), messages=len(lines))

    async def condense(self) -> None:
        """Condense days that are over into minutes and days, for ever; one block at a time."""
        while True:
            await asyncio.sleep(CONDENSE_EVERY_S)
            try:
                while await self._condense_one():
                    pass
            except sqlite3.Error as error:
                log.warning("a day of the history could not be condensed", reason=str(error))
            except Exception:
                # A mistake of ours here must not end the watch.
                log.exception("a day of the history could not be condensed")

    async def _condense_one(self) -> bool:
        """Condense one day of one pack, the earliest that waits; whether there was one."""
        store, running = self._store, self._recorder.running_days()
        if store is None or not running:
            return False
        condensing = await asyncio.to_thread(store.next_waiting, running)
        if condensing is None:
            return False
        is_more = True
        while is_more:
            is_more = await asyncio.to_thread(store.condense, condensing)
            await asyncio.sleep(BREATH_S)
        of = condensing.of
        if condensing.damaged:
            log.warning(
                "samples could not be read", pack=of.pack, day=of.day, blocks=condensing.damaged
            )
        return True

    async def answer(self, query: JournalQuery) -> dict[str, Any]:
        """What the journal holds, with what still waits to be written."""
        if self._store is None:
            return {"ok": False, "error": "no journal is kept: the store cannot be written"}
        try:
            async with self._lock:
                kept = await asyncio.to_thread(
                    self._store.entries, query.alarm, query.since, MOST_ENTRIES
                )
                waiting = [
                    entry
                    for entry in self._entries
                    if entry["at"] >= query.since and query.alarm in (None, entry["alarm"])
                ]
        except (sqlite3.Error, ValueError) as error:
            return {"ok": False, "error": f"the journal cannot be read: {error}"}
        return {"ok": True, "entries": [*kept, *waiting][-MOST_ENTRIES:]}

    def close(self) -> None:
        """Close the file."""
        if self._store is not None:
            self._store.close()


def line_of(topic: str, payload: bytes, at: float, *, retained: bool) -> bytes:
    """A message as a line of a recording.

    Escaped surrogates stand for bytes that are no UTF-8, so that all come back as they were.
    """
    text = payload.decode("utf-8", "surrogateescape")
    line: dict[str, Any] = {"t": at, "topic": topic, "payload": text}
    if retained:
        line["retained"] = True
    return json.dumps(line, separators=(",", ":")).encode()


def _saved(store: Store, state: dict[str, Any], entries: list[JournalEntry]) -> bool:
    try:
        store.save(state, entries)
    except sqlite3.Error as error:
        log.warning("the state could not be saved", reason=str(error))
        return False
    return True


def _opened(path: Path) -> Store | None:
    try:
        return Store(path)
    except (OSError, sqlite3.Error) as error:
        log.warning("no state is kept over a restart", store=str(path), reason=str(error))
        return None
