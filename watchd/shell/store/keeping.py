"""What an engine tells, written into a new store at once: the history of a recording.

    with Keeping(Path("july.db"), config) as keeping:
        for message in messages:
            engine.feed(...)
            keeping.take(engine)
        keeping.end(engine)

The engine is one with `tells_samples` and `tells_trends`. It is written some minutes at a time;
what is not closed may lack its end. Nothing is deleted for its age, but the file keeps its bound.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Self

from watchd.alarms.records import journal_entry
from watchd.alarms.state import Transition
from watchd.config import Config
from watchd.engine import Engine
from watchd.errors import Place, Problem, WatchdError
from watchd.history.recorder import Recorder
from watchd.history.trend_recorder import TrendRecorder
from watchd.messages import JournalEntry
from watchd.shell.store import DamagedError, Kept, Store
from watchd.shell.store.damage import PARTS
from watchd.shell.store.reasons import reason

MOST_SAMPLES = 5000
MOST_ENTRIES = 1000
NEVER = float("-inf")


class Keeping:
    """Writes samples, trends, days and journal of one engine after the other into a new file.

    Every method raises WatchdError where the file cannot be written. Of what told nothing, no file
    is left.
    """

    def __init__(self, path: Path, config: Config) -> None:
        if any(path.with_name(path.name + part).exists() for part in PARTS):
            raise _problem(path, "it is there already; name a new file")
        self._path, self._most_bytes = path, config.store.most_mb * 1_000_000
        self._recorder, self._trends = Recorder(), TrendRecorder()
        self._entries: list[JournalEntry] = []
        self._samples = 0
        self._is_empty = True
        try:
            self._store = Store(path)
        except (OSError, sqlite3.Error, DamagedError) as error:
            raise _problem(path, _why(path, error)) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def take(self, engine: Engine) -> list[Transition]:
        """What the engine told since the last call. The transitions, which it tells but once."""
        samples, transitions = engine.take_samples(), engine.take_transitions()
        looks = engine.take_trends()
        if samples:
            self._recorder.take(samples)
            self._samples += len(samples)
        self._trends.take(looks)
        for transition in transitions:
            self._entries.append(journal_entry(transition, engine.step_s))
        if samples or looks or transitions:
            self._is_empty = False
        if self._samples >= MOST_SAMPLES or len(self._entries) >= MOST_ENTRIES:
            with self._told():
                self._write(last=False)
        return transitions

    def end(self, engine: Engine) -> None:
        """The engine is told no more: its day as far as it came."""
        self.take(engine)
        self._trends.take(engine.pack_days())

    def close(self) -> None:
        """Write what waits, and condense the days, so that who reads it need not."""
        with self._told():
            if not self._is_empty:
                self._write(last=True)
                while (condensing := self._store.next_waiting(())) is not None:
                    while self._store.condense(condensing):
                        pass
            self._store.close()
            if self._is_empty:
                for part in PARTS:
                    self._path.with_name(self._path.name + part).unlink(missing_ok=True)

    def _write(self, *, last: bool) -> None:
        blocks = [run.block() for run in self._recorder.take_runs()]
        part = self._trends.take_run(last=last).packed()
        self._samples = 0
        entries, self._entries = self._entries, []
        self._store.keep(Kept(None, 0, NEVER, self._most_bytes, blocks, NEVER, part))
        if entries:
            self._store.take_over(entries)

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except (OSError, sqlite3.Error, DamagedError) as error:
            self._store.close()  # or it could not be asked why
            raise _problem(self._path, _why(self._path, error)) from error


def _problem(path: Path, what: str) -> WatchdError:
    return WatchdError(Problem(what, Place(str(path))))


def _why(path: Path, error: Exception) -> str:
    return str(error) if isinstance(error, DamagedError) else reason(path, error)
