"""Messages that wait to be published, while the broker is slow or away."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from itertools import chain, islice
from math import inf

from watchd.publish import Publish

MOST_PASSING = 1000


class Outbox:
    """Keeps the newest of each retained topic, and in order all that passes by once.

    Of the latter (annunciations, answers) at most `MOST_PASSING` wait; then the oldest go, and
    `dropped` counts them. Figures (what goes out at QoS 0) come after all else.
    """

    def __init__(self) -> None:
        self._first: dict[str | int, Publish] = {}
        self._figures: dict[str | int, Publish] = {}
        self._number = 0
        self._passing = 0
        self._some = asyncio.Event()
        self._none = asyncio.Event()
        self._none.set()
        self.dropped = 0

    def __len__(self) -> int:
        return len(self._first) + len(self._figures)

    def put(self, messages: Iterable[Publish]) -> None:
        """Add messages; a retained one takes the place of one that waits for the same topic."""
        for message in messages:
            if message.retain:
                here, there = self._first, self._figures
                if message.qos == 0:
                    here, there = there, here
                # A withdrawal of figures goes first, and must not be undone by those of before.
                there.pop(message.topic, None)
                here[message.topic] = message
            else:
                self._number += 1
                self._first[self._number] = message
                self._passing += 1
                if self._passing > MOST_PASSING:
                    self._drop_oldest_passing()
        if len(self):
            self._some.set()
            self._none.clear()

    async def first(
        self, most: int = 1, most_bytes: float = inf
    ) -> list[tuple[str | int, Publish]]:
        """What to publish next, at least one; each waits on until `done` is called with its key."""
        await self._some.wait()
        found: list[tuple[str | int, Publish]] = []
        room = most_bytes
        for entry in islice(chain(self._first.items(), self._figures.items()), most):
            room -= len(entry[1].payload)
            if found and room < 0:
                break
            found.append(entry)
        return found

    def done(self, key: str | int, message: Publish) -> None:
        """The message was handed to the broker (a newer one of its topic still waits)."""
        for waiting in (self._first, self._figures):
            if waiting.get(key) is message:
                del waiting[key]
                self._passing -= isinstance(key, int)
        if not len(self):
            self._some.clear()
            self._none.set()

    async def drained(self) -> None:
        """Wait until nothing waits."""
        await self._none.wait()

    def _drop_oldest_passing(self) -> None:
        oldest = next(k for k in self._first if isinstance(k, int))
        del self._first[oldest]
        self._passing -= 1
        self.dropped += 1
