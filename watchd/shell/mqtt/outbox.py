"""Messages that wait to be published, while the broker is slow or away."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from itertools import chain, islice
from math import inf

from watchd.publish import Publish

MOST_PASSING = 1000
MOST_PASSING_BYTES = 16_000_000
Key = str | int  # the topic of what is retained, a number of what passes by


class Outbox:
    """Keeps the newest of each retained topic, and in order all that passes by once.

    Of the latter (annunciations, answers) at most `MOST_PASSING` wait, and not more than
    `MOST_PASSING_BYTES`; then the oldest go, and `dropped` counts them. Figures (what goes out at
    QoS 0) come after all else.
    """

    def __init__(self) -> None:
        self._first: dict[Key, Publish] = {}
        self._figures: dict[Key, Publish] = {}
        self._number = 0
        self._passing = self._passing_bytes = 0
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
                self._put_passing(message)
        self._told()

    def _put_passing(self, message: Publish) -> None:
        self._number += 1
        self._first[self._number] = message
        self._passing += 1
        self._passing_bytes += len(message.payload)
        while self._passing > MOST_PASSING or (
            self._passing > 1 and self._passing_bytes > MOST_PASSING_BYTES
        ):
            oldest = next(k for k in self._first if isinstance(k, int))
            self._take(self._first, oldest)
            self.dropped += 1

    def clear(self) -> list[Publish]:
        """Take out all that waits, and give it back."""
        waited = [*self._first.values(), *self._figures.values()]
        self._first.clear()
        self._figures.clear()
        self._passing = self._passing_bytes = 0
        self._told()
        return waited

    def drop(self, messages: Iterable[Publish]) -> None:
        """These very messages need not be sent any more."""
        gone = {id(message) for message in messages}
        for waiting in (self._first, self._figures):
            for key in [k for k, message in waiting.items() if id(message) in gone]:
                self._take(waiting, key)
        self._told()

    async def first(self, most: int = 1, most_bytes: float = inf) -> list[tuple[Key, Publish]]:
        """What to publish next, at least one; each waits on until `done` is called with its key."""
        while not len(self):  # what has come may have been taken out again
            await self._some.wait()
        found: list[tuple[Key, Publish]] = []
        room = most_bytes
        for entry in islice(chain(self._first.items(), self._figures.items()), most):
            room -= len(entry[1].payload)
            if found and room < 0:
                break
            found.append(entry)
        return found

    def done(self, key: Key, message: Publish) -> None:
        """The message was handed to the broker (a newer one of its topic still waits)."""
        for waiting in (self._first, self._figures):
            if waiting.get(key) is message:
                self._take(waiting, key)
        self._told()

    async def drained(self) -> None:
        """Wait until nothing waits."""
        await self._none.wait()

    def _take(self, waiting: dict[Key, Publish], key: Key) -> None:
        message = waiting.pop(key)
        if isinstance(key, int):
            self._passing -= 1
            self._passing_bytes -= len(message.payload)

    def _told(self) -> None:
        if len(self):
            self._some.set()
            self._none.clear()
        else:
            self._some.clear()
            self._none.set()
