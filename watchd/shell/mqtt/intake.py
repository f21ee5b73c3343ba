"""Messages that wait for the engine: bounded, and the newest of each topic is what is kept."""

from __future__ import annotations

import asyncio
import time
from collections import deque
from dataclasses import dataclass

from aiomqtt import Message

READ_ON_S = 0.25
MOST_BYTES = 32_000_000  # that wait, topics and properties included


@dataclass(frozen=True, slots=True)
class Arrived:
    """A message and the moment of the monotonic clock at which it came."""

    topic: str
    payload: bytes
    retained: bool
    at: float
    reply_to: str | None = None
    correlation: bytes = b""


class Intake(asyncio.Queue[Message]):
    """aiomqtt's queue of received messages, within `most` messages.

    When more wait, only the newest of each topic stays, in order; where that is not enough, the
    oldest go. `take_dropped` says how many went. A payload longer than `longest` is cut to one
    byte more than that: enough for the gate to refuse it, and no memory for the rest.
    """

    def __init__(self, most: int, longest: int) -> None:
        self._most, self._longest = most, longest
        self._received = self._dropped = self._bytes = 0
        self._taken_at = time.monotonic()
        super().__init__()

    def _init(self, maxsize: int) -> None:
        del maxsize  # the bound is ours: asyncio's would drop the newest
        self._waiting: deque[tuple[float, Message]] = deque()

    def _put(self, item: Message) -> None:
        self._received += 1
        if len(item.payload) > self._longest:
            item.payload = item.payload[: self._longest + 1]
        self._waiting.append((time.monotonic(), item))
        self._bytes += _size(item)
        if len(self._waiting) > self._most or self._bytes > MOST_BYTES:
            self._thin()

    def _get(self) -> Message:
        self._taken_at = time.monotonic()
        self.arrived_at, message = self._waiting.popleft()
        self._bytes -= _size(message)
        return message

    def qsize(self) -> int:
        """How many wait."""
        return len(self._waiting)

    def empty(self) -> bool:
        """Whether none waits."""
        return not self._waiting

    def waited_s(self) -> float:
        """For how long messages have been waiting without one being taken; 0 where none waits."""
        if not self._waiting:
            return 0.0
        return time.monotonic() - max(self._taken_at, self._waiting[0][0])

    async def read_on(self) -> None:
        """Let all come in that the socket holds, for a moment at most.

        aiomqtt reads one message in each turn of the loop. Handled one by one, a backlog would
        stay in socket and broker, where nobody thins it out, and old messages would count as new.
        """
        end = time.monotonic() + READ_ON_S
        before = -1
        while self._received != before and time.monotonic() < end:
            before = self._received
            await asyncio.sleep(0)  # the loop looks at its sockets after this turn ...
            await asyncio.sleep(0)  # ... and reads before this one

    def take_dropped(self) -> int:
        """How many messages were dropped since the last call."""
        dropped, self._dropped = self._dropped, 0
        return dropped

    def _thin(self) -> None:
        before = len(self._waiting)
        newest: dict[str, tuple[float, Message]] = {}
        for entry in self._waiting:
            topic = str(entry[1].topic)
            newest.pop(topic, None)
            newest[topic] = entry
        kept = list(newest.values())[-self._most // 2 :]
        self._bytes = sum(_size(message) for _, message in kept)
        while self._bytes > MOST_BYTES // 2:
            self._bytes -= _size(kept.pop(0)[1])
        self._waiting = deque(kept)
        self._dropped += before - len(kept)


def _size(message: Message) -> int:
    """About the memory that a message takes."""
    properties = message.properties
    correlation = getattr(properties, "CorrelationData", b"")
    users = getattr(properties, "UserProperty", ())
    more = len(getattr(properties, "ResponseTopic", "")) + sum(len(n) + len(v) for n, v in users)
    return 500 + len(message.payload) + len(str(message.topic)) + len(correlation) + more


def arrived(message: Message, at: float) -> Arrived:
    """A received message in our own terms."""
    properties = message.properties
    reply_to = getattr(properties, "ResponseTopic", None)
    correlation = getattr(properties, "CorrelationData", b"")
    return Arrived(
        str(message.topic), bytes(message.payload), bool(message.retain), at, reply_to, correlation
    )
