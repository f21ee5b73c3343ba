"""Annunciations that the broker does not have yet: none is lost, and none is told twice.

They are numbered and kept with the state, so they outlive the process. That the broker has one is
noted in the spool. Where the process died, or the link broke, before an acknowledgement came, the
broker itself tells: behind each annunciation, in the same breath, goes a retained copy of it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Any

from watchd.publish import Publish

MOST = 1000


class Annunciations:
    """The newest `MOST` of them, in order."""

    def __init__(self, topic: str, saved: Mapping[str, Any] | None = None) -> None:
        self.topic = topic
        saved = saved or {}
        self._waiting: deque[tuple[int, Publish]] = deque(
            ((int(n), Publish(topic, str(text).encode())) for n, text in saved.get("waiting", [])),
            maxlen=MOST,
        )
        self._number = int(saved.get("number", 0))

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        waiting = [[number, message.payload.decode()] for number, message in self._waiting]
        return {"number": self._number, "waiting": waiting}

    def take(self, messages: list[Publish]) -> list[Publish]:
        """Number the annunciations among some messages; these are returned."""
        found = [m for m in messages if m.topic == self.topic and not m.retain]
        for message in found:
            self._number += 1
            self._waiting.append((self._number, message))
        return found

    def waiting(self) -> list[Publish]:
        """Those that the broker does not have, as far as is known."""
        return [message for _, message in self._waiting]

    def delivered(self, message: Publish) -> int | None:
        """The broker has this very message now; its number, None where it is none of ours."""
        for number, waiting in self._waiting:
            if waiting is message:
                self.told(number)
                return number
        return None

    def told(self, number: int) -> None:
        """The broker has those until this number."""
        while self._waiting and self._waiting[0][0] <= number:
            self._waiting.popleft()

    def newest_at_broker(self, payload: bytes) -> tuple[int, list[Publish]] | None:
        """The broker's retained copy of the newest that it got: its number, and those that need
        not be sent again; None where it is none of those that wait.
        """
        for number, waiting in reversed(self._waiting):
            if waiting.payload == payload:
                settled = [m for n, m in self._waiting if n <= number]
                self.told(number)
                return number, settled
        return None
