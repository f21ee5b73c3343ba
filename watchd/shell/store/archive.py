"""What the service keeps on the disk: when it is written, and what waits until then.

Writes are few, for the sake of SD cards: state and journal within a second of a transition (with
hundreds of packs, some seconds) and else every five minutes, telemetry in blocks of five minutes.
"""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections.abc import Awaitable, Mapping, Sequence
from json.encoder import encode_basestring_ascii as _quoted
from pathlib import Path
from typing import Any, TypeAlias

import structlog

from watchd import config as schema
from watchd.history.recorder import Recorder
from watchd.history.trend_recorder import TrendRecorder
from watchd.history.trending import Look
from watchd.messages import JournalEntry
from watchd.own_rules import Fault
from watchd.requests import MOST_ENTRIES, JournalQuery
from watchd.shell.store import DamagedError, Loaded
from watchd.shell.store.disk import Disk, Job
from watchd.shell.store.shared import Shared
from watchd.shell.store.waiting import Lines, Waiting
from watchd.watch.measured import Measured

State: TypeAlias = dict[str, Any]
log = structlog.get_logger("watchd")
CHANGED_AFTER_S = 1.0
NEWER_BY_S = 1.0  # by so much a shared state must be newer than the file's own
# With hundreds of packs, to take a state takes seconds of the processor: of all time this share.
LARGEST_SHARE = 0.02
BLOCK_S = 300.0
BLOCK_BYTES = 4_000_000
LARGEST_BLOCK_BYTES = 24_000_000  # with so many packs that to take a state is dear
MOST_UNPACKED = 16_000_000  # while a write hangs, or twice a block
# Age is told by the clock. One that was just set, or not yet, must not cost the history.
CLOCK_TRUSTED_AFTER_S = 86_400.0
CONDENSE_EVERY_S = 60.0
# Today's figures of a pack take some kB.
DAYS_S = 3600.0
BREATH_S = 0.01  # between two blocks of a day: the watching goes first


class Archive:
    """The store and what waits for it. While the disk refuses, what waits is bounded."""

    def __init__(self, setting: schema.Store) -> None:
        self._setting = setting
        self._waiting = Waiting()
        self._disk = Disk(Path(setting.path))
        self._writes = 0
        self._changed_at: float | None = None
        self._changed_after_s = CHANGED_AFTER_S
        self._block_began = self._clock_set_at = time.monotonic()
        self._lines: list[bytes] = []
        self._bytes = 0
        self._last_at = 0.0
        self._recorder = Recorder()
        self._trends = TrendRecorder(self._disk.loaded.trends)
        self._days_at: float | None = None
        self._shared: Shared | None = None
        self._file_fault: str | None = None
        self._shared_fault: str | None = None

    def shares(self, config: schema.Config, instance: int) -> dict[str, dict[str, Any]]:
        """Share with other daemons what the config says; what they saved of banks that the file
        does not know, or knows worse.
        """
        if config.store.postgresql is None:
            return {}
        banks = {name: pack.bank for name, pack in config.packs.items()}
        self._shared = Shared(config.store.postgresql, instance, banks)
        own = self._disk.loaded.state or {}
        engine = own.get("engine", own)
        known = engine.get("banks", {}) if isinstance(engine, dict) else {}
        saved_at = shown_at(own) + NEWER_BY_S
        return {
            bank: part
            for bank, part in self._shared.load(list(config.banks)).items()
            if bank not in known or shown_at(part) > saved_at
        }

    async def share(self) -> None:
        """Write to what is shared, for as long as the service runs."""
        while self._shared is not None:
            await asyncio.sleep(CHANGED_AFTER_S)
            if self._shared.is_due():
                await asyncio.to_thread(self._shared.write)

    def load(self) -> Loaded:
        """The state that was saved last, if it could be read, and how far the file had come."""
        return self._disk.loaded

    def journal(self, entry: JournalEntry) -> None:
        """A transition of an alarm; it is saved with the next state."""
        self._waiting.journal(entry)
        if self._shared is not None:
            self._shared.journal(entry)
        self.changed()

    def changed(self) -> None:
        """The state is to be saved soon."""
        self._changed_at = self._changed_at or time.monotonic()

    def record(self, topic: str, payload: bytes, at: float, *, retained: bool) -> None:
        """A message as the engine got it."""
        self._last_at = at
        if not self._setting.keep_raw:
            return
        if self._bytes >= max(MOST_UNPACKED, 2 * self._block_bytes):
            self._waiting.lose(1)
            return
        packed = line_of(topic, payload, at, retained=retained)
        self._lines.append(packed)
        self._bytes += len(packed)

    def sample(self, samples: Sequence[Measured]) -> None:
        """Samples as the engine told them, for the history."""
        if samples:
            self._recorder.take(samples)

    def trends(self, looks: Sequence[Look]) -> None:
        """What the engine told to be kept of the figures."""
        if looks:
            self._trends.take(looks)

    def wants_days(self, *, last: bool = False) -> bool:
        """Whether the write that comes should have the days of the packs so far."""
        due = self._days_at is None or time.monotonic() - self._days_at >= DAYS_S
        return last or (due and self.makes_base)

    def state_took(self, seconds: float) -> None:
        """To take the last state took the processor so long."""
        self._changed_after_s = max(CHANGED_AFTER_S, seconds / LARGEST_SHARE)

    def clock_was_set(self) -> None:
        """The system's clock was set: for a day nothing is deleted for its age."""
        self._clock_set_at = time.monotonic()

    def wants_base(self) -> None:
        """The next write, soon, is to be a base: what comes cannot be told to what was before."""
        self._block_began = time.monotonic() - BLOCK_S
        self.changed()

    @property
    def makes_base(self) -> bool:
        """Whether a write now would close a block, and so be a base."""
        full = self._bytes >= self._block_bytes
        return full or time.monotonic() - self._block_began >= BLOCK_S

    @property
    def _block_bytes(self) -> float:
        """A block that is full wants a state: the dearer those are, the larger it may become."""
        scale = self._changed_after_s / CHANGED_AFTER_S
        return min(BLOCK_BYTES * scale, LARGEST_BLOCK_BYTES)

    def is_due(self) -> bool:
        """Whether it is time to write the state."""
        if self._writes or self._disk.pauses():
            return False
        now = time.monotonic()
        since = self._changed_at
        changed = since is not None and now - since >= self._changed_after_s
        return changed or self.makes_base or self._disk.wants_state()

    def overflows(self) -> bool:
        """Whether more telemetry waits than memory should hold."""
        return not self._writes and self._bytes >= self._block_bytes

    def take_faults(self) -> list[tuple[Fault, str | None]]:
        """What is wrong with the store, or is right again (None), since the last call."""
        found: list[tuple[Fault, str | None]] = []
        shared = self._shared.fault() if self._shared is not None else None
        changed, self._shared_fault = shared != self._shared_fault, shared
        for what, why in self._disk.take_faults():
            if what is Fault.STORE:
                self._file_fault, changed = why, False
                found.append((what, self._fault()))
            else:
                found.append((what, why))
        if changed:
            found.append((Fault.STORE, self._fault()))
        return found

    def _fault(self) -> str | None:
        both = [why for why in (self._file_fault, self._shared_fault) if why is not None]
        return "; ".join(both) or None

    async def write(
        self, state: State | Awaitable[State] | None, *, last: bool = False, upto: int = 0
    ) -> bool:
        """Save state and journal, and telemetry where a block is full (or it is the last).

        Without a state, telemetry alone. `upto`: the last input that the state covers, and the
        last that was recorded. What comes while a state is awaited is for the next write. Whether
        the state was saved.
        """
        now = time.monotonic()
        is_base = last or self.makes_base
        if state is not None:
            self._changed_at = None
        if is_base:
            lines, self._lines, self._bytes, self._block_began = self._lines, [], 0, now
            runs = self._recorder.take_runs()
            trends = self._trends.take_run()
            if trends.days:
                self._days_at = now
            self._waiting.add(Lines(lines, self._last_at, upto, runs, trends))
        trusted = now - self._clock_set_at >= CLOCK_TRUSTED_AFTER_S
        oldest_s = self._setting.keep_raw if trusted else None
        minutes_s = self._setting.keep_minutes if trusted else float("inf")
        most_bytes = self._setting.most_mb * 1_000_000
        through = self._waiting.last
        self._writes += 1
        try:
            if isinstance(state, Awaitable):
                state = await state
            if state is not None and self._shared is not None and is_base and "engine" in state:
                self._shared.state(state["engine"])
            job = Job(state, upto, is_base, through, oldest_s, most_bytes, minutes_s)
            # A slow card must not hold up alarms. What is to be written is written, even if this
            # task is cancelled meanwhile: a thread goes on.
            return await asyncio.to_thread(self._disk.write, job, self._waiting)
        finally:
            self._writes -= 1

    async def condense(self) -> None:
        """Condense days that are over into minutes and days, for ever; one block at a time."""
        while True:
            await asyncio.sleep(CONDENSE_EVERY_S)
            try:
                while await self._condense_one():
                    pass
            except (sqlite3.Error, DamagedError) as error:
                log.warning("a day of the history could not be condensed", reason=str(error))
            except Exception:
                # A mistake of ours here must not end the watch.
                log.exception("a day of the history could not be condensed")

    async def _condense_one(self) -> bool:
        """Condense one day of one pack, the earliest that waits; whether there was one."""
        running = self._recorder.running_days()
        if not running:
            return False
        condensing = await asyncio.to_thread(self._disk.next_waiting, running)
        if condensing is None:
            return False
        is_more = True
        while is_more:
            is_more = await asyncio.to_thread(self._disk.condense, condensing)
            await asyncio.sleep(BREATH_S)
        of = condensing.of
        if condensing.damaged:
            log.warning(
                "samples could not be read", pack=of.pack, day=of.day, blocks=condensing.damaged
            )
        return True

    async def answer(self, query: JournalQuery) -> dict[str, Any]:
        """What the journal holds, with what still waits to be written."""
        try:
            found = await asyncio.to_thread(
                self._disk.journal, query.alarm, query.since, MOST_ENTRIES, self._waiting
            )
        except (OSError, sqlite3.Error, DamagedError, ValueError) as error:
            return {"ok": False, "error": f"the journal cannot be read: {error}"}
        return {"ok": True, "entries": found}

    async def write_shared(self) -> None:
        """What still waits for what is shared, before the end."""
        if self._shared is not None and self._shared.is_due():
            await asyncio.to_thread(self._shared.write)

    def close(self) -> None:
        """Close the file, and the connection to what is shared."""
        self._disk.close()
        if self._shared is not None:
            self._shared.close()


def shown_at(state: Mapping[str, Any]) -> float:
    """When a state was saved, as the clock showed it (Unix s); 0 for none."""
    return float(state.get("at", 0.0)) + float(state.get("step_s", 0.0))


def line_of(topic: str, payload: bytes, at: float, *, retained: bool) -> bytes:
    """A message as a line of a recording.

    Escaped surrogates stand for bytes that are no UTF-8, so that all come back as they were.
    """
    text = payload.decode("utf-8", "surrogateescape")
    more = ',"retained":true' if retained else ""
    line = f'{{"t":{at!r},"topic":{_quoted(topic)},"payload":{_quoted(text)}{more}}}'
    return line.encode()
