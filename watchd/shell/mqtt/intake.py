"""Messages that wait for the engine: bounded, and the newest of each topic is what is kept."""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import Sequence
from itertools import islice
from typing import NamedTuple

from paho.mqtt.client import MQTTMessage

# Messages handled together, before other tasks get their turn: what is urgent goes out in some of
# them, also while more comes than can be handled.
BATCH = 25
READ_ON_S = 0.25
MOST_BYTES = 32_000_000  # that wait, topics and properties included
OVERHEAD_BYTES = 500  # about what a message takes beside its topic and payload


class Arrived(NamedTuple):
    """A message and the moment of the monotonic clock at which it came."""

    topic: str
    payload: bytes
    retained: bool
    at: float
    reply_to: str | None = None
    correlation: bytes = b""


class Intake:
    """Received messages, within `most` of them.

    When more wait, only the newest of each topic stays, in order; where that is not enough, the
    oldest go. `take_dropped` says how many went. A payload longer than `longest` is cut to one
    byte more than that: enough for the gate to refuse it, and no memory for the rest.
    """

    def __init__(self, most: int, longest: int) -> None:
        self._most, self.longest = most, longest
        self._waiting: deque[Arrived] = deque()
        self._dropped = self._bytes = 0
        self._taken_at = time.monotonic()
        self._woken = asyncio.Event()
        # Who reads the socket says so while there is more in it.
        self.is_behind = False

    def add(self, message: Arrived) -> None:
        """A message came."""
        if len(message.payload) > self.longest:
            message = message._replace(payload=message.payload[: self.longest + 1])
        self.extend((message,), _size(message))

    def extend(self, messages: Sequence[Arrived], size: int) -> None:
        """Messages came, none of them too long; `size`: about what they take, in bytes."""
        self._waiting.extend(messages)
        self._bytes += size
        if len(self._waiting) > self._most or self._bytes > MOST_BYTES:
            self._thin()
        self._woken.set()

    def take(self, most: int) -> list[Arrived]:
        """The first of those that wait."""
        self._taken_at = time.monotonic()
        waiting = self._waiting
        if len(waiting) <= most:
            found = list(waiting)
            waiting.clear()
            self._bytes = 0
            self._woken.clear()
        else:
            found = [waiting.popleft() for _ in range(most)]
            self._bytes -= sum(map(_size, found))
        return found

    async def some(self) -> None:
        """Wait until there is a message, or somebody calls `wake`."""
        await self._woken.wait()

    def wake(self) -> None:
        """End the waiting of who waits for a message, though there may be none."""
        self._woken.set()

    def __len__(self) -> int:
        return len(self._waiting)

    def waited_s(self) -> float:
        """For how long messages have been waiting without one being taken; 0 where none waits."""
        if not self._waiting:
            return 0.0
        return time.monotonic() - max(self._taken_at, self._waiting[0].at)

    async def read_on(self) -> None:
        """Let all come in that the socket holds, for a moment at most.

        Handled block by block, a backlog would stay in socket and broker, where nobody thins it
        out, and old messages would count as new.
        """
        end = time.monotonic() + READ_ON_S
        while self.is_behind and time.monotonic() < end:
            await asyncio.sleep(0)  # the loop looks at its sockets after this turn ...
            await asyncio.sleep(0)  # ... and reads before this one

    def take_dropped(self) -> int:
        """How many messages were dropped since the last call."""
        dropped, self._dropped = self._dropped, 0
        return dropped

    def _thin(self) -> None:
        before = len(self._waiting)
        newest: dict[str, Arrived] = {}
        for message in self._waiting:
            newest.pop(message.topic, None)
            newest[message.topic] = message
        kept = deque(islice(newest.values(), max(0, len(newest) - self._most // 2), None))
        self._bytes = sum(map(_size, kept))
        while self._bytes > MOST_BYTES // 2:
            self._bytes -= _size(kept.popleft())
        self._waiting = kept
        self._dropped += before - len(kept)


def _size(message: Arrived) -> int:
    """About the memory that a message takes."""
    more = len(message.correlation) + len(message.reply_to or "")
    return OVERHEAD_BYTES + len(message.payload) + len(message.topic) + more


def arrived(message: MQTTMessage, at: float) -> Arrived:
    """A message as paho has it, in our own terms."""
    properties = getattr(message, "properties", None)
    reply_to = getattr(properties, "ResponseTopic", None)
    correlation = getattr(properties, "CorrelationData", b"")
    return Arrived(
        message.topic, bytes(message.payload), bool(message.retain), at, reply_to, correlation
    )
