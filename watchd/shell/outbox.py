"""Messages that wait to be published, while the broker is slow or away."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable

from watchd.publish import Publish

MOST_PASSING = 1000
MOST_PASSING_BYTES = 16_000_000


class Outbox:
    """Keeps the newest of each retained topic, and in order all that passes by once.

    Of the latter (annunciations, answers) at most `MOST_PASSING` wait, and not more than
    `MOST_PASSING_BYTES`; then the oldest go, and `dropped` counts them.
    """

    def __init__(self) -> None:
        self._waiting: dict[str | int, Publish] = {}
        self._number = 0
        self._passing = self._passing_bytes = 0
        self._some = asyncio.Event()
        self._none = asyncio.Event()
        self._none.set()
        self.dropped = 0

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, messages: Iterable[Publish]) -> None:
        """Add messages; a retained one takes the place of one that waits for the same topic."""
        for message in messages:
            if message.retain:
                self._waiting[message.topic] = message
            else:
                self._number += 1
                self._waiting[self._number] = message
                self._passing += 1
                self._passing_bytes += len(message.payload)
                while self._passing > MOST_PASSING or (
                    self._passing > 1 and self._passing_bytes > MOST_PASSING_BYTES
                ):
                    self._drop_oldest_passing()
        if self._waiting:
            self._some.set()
            self._none.clear()

    def clear(self) -> list[Publish]:
        """Take out all that waits, and give it back."""
        waited = list(self._waiting.values())
        self._waiting.clear()
        self._passing = 0
        self._some.clear()
        self._none.set()
        return waited

    async def first(self) -> tuple[str | int, Publish]:
        """The message to publish next; it waits on until `done` is called with its key."""
        while not self._waiting:  # what has come may have been taken out again
            await self._some.wait()
        return next(iter(self._waiting.items()))

    def done(self, key: str | int, message: Publish) -> None:
        """The message was handed to the broker (a newer one of its topic still waits)."""
        if self._waiting.get(key) is message:
            del self._waiting[key]
            if isinstance(key, int):
                self._passing -= 1
                self._passing_bytes -= len(message.payload)
        if not self._waiting:
            self._some.clear()
            self._none.set()

    async def drained(self) -> None:
        """Wait until nothing waits."""
        await self._none.wait()

    def _drop_oldest_passing(self) -> None:
        oldest = next(k for k in self._waiting if isinstance(k, int))
        self._passing -= 1
        self._passing_bytes -= len(self._waiting.pop(oldest).payload)
        self.dropped += 1
