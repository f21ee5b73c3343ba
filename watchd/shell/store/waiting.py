"""What waits to be written while the disk is slow, full or away: bounded, the oldest goes first."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from watchd.history.recorder import Run, SampleBlock
from watchd.history.trend_recorder import TrendPart, TrendRun
from watchd.messages import JournalEntry
from watchd.shell.store import Block

MOST_ENTRIES = 10_000  # of the journal
MOST_BYTES = 8_000_000  # of packed telemetry: a day of four packs that send once a second
MOST_MARKS = 1000  # of blocks, be they empty


@dataclass(frozen=True, slots=True)
class Lines:
    """Telemetry as it came, not yet packed. `last_at`: of the newest message (Unix s)."""

    lines: Sequence[bytes]
    last_at: float
    upto: int
    runs: Sequence[Run] = ()
    trends: TrendRun = field(default_factory=TrendRun)


@dataclass(frozen=True, slots=True)
class Ready:
    """A block that is ready to be kept; without one it only says how far it goes."""

    block: Block | None
    messages: int
    last_at: float
    upto: int
    samples: Sequence[SampleBlock] = ()
    trends: TrendPart = field(default_factory=TrendPart)

    @property
    def bytes(self) -> int:
        """What it takes in memory."""
        own = len(self.block.lines) if self.block is not None else 0
        return own + sum(len(b.data) for b in self.samples) + self.trends.bytes


@dataclass(slots=True)
class Dropped:
    """What found no room in memory."""

    entries: int = 0
    messages: int = 0

    def __bool__(self) -> bool:
        return bool(self.entries or self.messages)

    def __str__(self) -> str:
        return f"{self.entries:,} journal entries and {self.messages:,} messages"


class Waiting:
    """Journal entries and telemetry. The loop puts in, the thread that writes takes out."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._entries: deque[tuple[int, JournalEntry]] = deque()
        self._lines: deque[Lines] = deque()
        self._ready: deque[Ready] = deque()
        self._bytes = 0
        self.last = 0  # number of the newest entry
        self.dropped = Dropped()

    def journal(self, entry: JournalEntry) -> None:
        """An entry, to be written with the next state."""
        with self._lock:
            self.last += 1
            self._entries.append((self.last, entry))
            if len(self._entries) > MOST_ENTRIES:
                self._entries.popleft()
                self.dropped.entries += 1

    def entries(self, through: int | None = None) -> list[JournalEntry]:
        """Those up to a number, or all."""
        with self._lock:
            return [e for number, e in self._entries if through is None or number <= through]

    def saved(self, through: int) -> None:
        """Those up to a number are on the disk."""
        with self._lock:
            while self._entries and self._entries[0][0] <= through:
                self._entries.popleft()

    def add(self, lines: Lines) -> None:
        """Telemetry that makes a block."""
        with self._lock:
            self._lines.append(lines)

    def pack(self) -> None:
        """Pack what came; it takes a while, and only the thread that writes calls it."""
        while self._lines:
            came = self._lines[0]
            block = Block.of(came.last_at, came.lines) if came.lines else None
            samples = [run.block() for run in came.runs]
            trends = came.trends.packed()
            ready = Ready(block, len(came.lines), came.last_at, came.upto, samples, trends)
            with self._lock:
                self._ready.append(ready)
                self._bytes += ready.bytes
                self._lines.popleft()
                # The newest of very many packs may be larger, and is what is written now.
                while len(self._ready) > 1 and (
                    self._bytes > MOST_BYTES or len(self._ready) > MOST_MARKS
                ):
                    self.dropped.messages += self._ready[0].messages
                    self._take()

    def first(self) -> Ready | None:
        """The block to keep next."""
        with self._lock:
            return self._ready[0] if self._ready else None

    def kept(self) -> None:
        """The first block is on the disk."""
        with self._lock:
            self._take()

    def _take(self) -> None:
        self._bytes -= self._ready.popleft().bytes

    def lose(self, messages: int) -> None:
        """Messages for which there was no room at all."""
        with self._lock:
            self.dropped.messages += messages

    def take_dropped(self) -> Dropped:
        """What was dropped since the last call."""
        with self._lock:
            found, self.dropped = self.dropped, Dropped()
        return found
