"""Takes requests in before they are read: who asks, how often, and where an answer may go.

What a request says of itself is a claim. Its topic can vouch for a name: an access list of the
broker can let a user write to `P/request/USER` alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from watchd.config import Requests
from watchd.publish import Publish, Topics
from watchd.requests import answer, answer_topic

MOST_NAMES = 64
LONGEST_NAME = 60
LONGEST_CORRELATION = 1000  # bytes; MQTT 5 allows 65535, and answers wait in memory
ANSWER_EVERY_S = 1.0  # at most, to one name that asks too fast
_OTHERS = "\0"


@dataclass(slots=True)
class _Bucket:
    """What one name may still ask: filled up with time, to a minute's worth at most."""

    tokens: float
    at: float
    told_at: float = float("-inf")


class Limiter:
    """A token bucket for each name, in bounded memory; times are kept time, in s."""

    def __init__(self, most_a_minute: int) -> None:
        self._most = float(most_a_minute)
        self._per_s = most_a_minute / 60.0
        self._buckets: dict[str, _Bucket] = {}

    def __len__(self) -> int:
        return len(self._buckets)

    def wait_s(self, name: str, now: float) -> float:
        """Take one request of `name`: 0 if it may be done, else the time until one may be."""
        bucket = self._bucket(name, now)
        if bucket.tokens >= 1.0:
            bucket.tokens -= 1.0
            return 0.0
        return (1.0 - bucket.tokens) / self._per_s

    def tells(self, name: str, now: float) -> bool:
        """Whether one that is refused is told so: once in a second, however fast it asks."""
        bucket = self._bucket(name, now)
        if now - bucket.told_at < ANSWER_EVERY_S:
            return False
        bucket.told_at = now
        return True

    def _bucket(self, name: str, now: float) -> _Bucket:
        if name not in self._buckets and len(self._buckets) >= MOST_NAMES:
            # One that is full again is as good as one that never asked.
            self._buckets = {
                n: b for n, b in self._buckets.items() if self._filled(b, now) < self._most
            }
            if len(self._buckets) >= MOST_NAMES:
                name = _OTHERS  # who comes then shares one
        bucket = self._buckets.setdefault(name, _Bucket(self._most, now))
        bucket.tokens, bucket.at = self._filled(bucket, now), now
        return bucket

    def _filled(self, bucket: _Bucket, now: float) -> float:
        return min(self._most, bucket.tokens + max(0.0, now - bucket.at) * self._per_s)


@dataclass(frozen=True, slots=True)
class Received:
    """A request that may be read, or is refused unread.

    `asker` is the name that the topic vouches for (None: it names nobody), `answer_to` where an
    answer may go.
    """

    asker: str | None
    answer_to: str | None
    refused: str | None = None
    answer: Publish | None = None


class Reception:
    """Looks at topic and properties of requests, not at what they ask.

    `is_telemetry` says of a topic whether telemetry, or whoever sends it, may be on it.
    """

    def __init__(
        self, setting: Requests, topics: Topics, is_telemetry: Callable[[str], bool]
    ) -> None:
        self._setting, self._topics, self._is_telemetry = setting, topics, is_telemetry
        self._limiter = Limiter(setting.most_a_minute)

    def listens(self, topic: str) -> bool:
        """Whether requests are taken on this topic."""
        if not self._setting.enabled:
            return False
        return self._topics.asker(topic) is not None or (
            topic == self._topics.request and not self._setting.named_only
        )

    def take(
        self, topic: str, payload: bytes, reply_to: str | None, correlation: bytes, now: float
    ) -> Received:
        """Take in a request on a topic on which it `listens`."""
        asker = self._topics.asker(topic)
        if asker is not None and not (len(asker) <= LONGEST_NAME and asker.isprintable()):
            return Received(None, None, f"a name has 1 to {LONGEST_NAME} printable characters")
        wait_s = self._limiter.wait_s(asker or "", now)
        if wait_s and not self._limiter.tells(asker or "", now):
            return Received(asker, None, "too many requests")
        answer_to = self._answer_to(reply_to, payload)
        if wait_s:
            most = self._setting.most_a_minute
            data = {
                "ok": False,
                "error": f"too many requests: {most} a minute are taken; not done, ask again",
                "again_in_s": round(wait_s, 1),
            }
            short = correlation if len(correlation) <= LONGEST_CORRELATION else b""
            told = None if answer_to is None else answer(answer_to, data, short)
            return Received(asker, answer_to, "too many requests", told)
        if len(correlation) > LONGEST_CORRELATION:
            why = f"correlation data longer than {LONGEST_CORRELATION} bytes"
            data = {"ok": False, "error": why}
            told = None if answer_to is None else answer(answer_to, data, b"")
            return Received(asker, answer_to, why, told)
        return Received(asker, answer_to)

    def _answer_to(self, reply_to: str | None, payload: bytes) -> str | None:
        below = self._setting.answer_below
        topic = answer_topic(reply_to, payload, self._topics.prefix, below)
        return None if topic is None or self._is_telemetry(topic) else topic
