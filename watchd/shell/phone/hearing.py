"""What the broker says, by topic: kept in the queue before it is acknowledged, or held in mind."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import structlog
from aiomqtt import Message

from watchd.config import Phone
from watchd.errors import WatchdError
from watchd.phone.notice import Notice, annunciation, digest
from watchd.phone.texts import Standing
from watchd.publish import Topics
from watchd.shell.phone.queue import Queue, Targets

MOST_ALARMS = 5000
MOST_AN_HOUR = 12
_DIGESTS: dict[str, tuple[str, ...]] = {
    "daily": ("daily",), "weekly": ("weekly",), "both": ("daily", "weekly"), "none": (),
}  # fmt: skip
log = structlog.get_logger("watchd")


@dataclass(frozen=True, slots=True)
class Handlers:
    """`now` gives Unix seconds, `targets` who gets what; the others are told what came: `kept` that
    something waits, `service` the service's record, `reply` and `answer` what is for `Asking`.
    """

    now: Callable[[], float]
    targets: Callable[[], Targets]
    kept: Callable[[], None]
    service: Callable[[dict[str, Any] | None], None]
    reply: Callable[[bytes], None]
    answer: Callable[[str, bytes], None]


class Hearing:
    """Takes messages. `own` is the topic below which answers to us come."""

    def __init__(
        self,
        prefix: str,
        phone: Phone,
        own: str,
        queue: Queue,
        handlers: Handlers,
    ) -> None:
        self._topics, self._own, self._queue = Topics(prefix), own, queue
        self._call = handlers
        self.mark = f"{own}/mark"
        self.reply_topic = phone.replies.topic or f"{prefix}/reply"
        self.answer_topic = phone.replies.answer_topic or f"{prefix}/reply/answer"
        self._takes_replies = phone.replies.enabled
        self._digests = {f"{prefix}/digest/{which}": which for which in _DIGESTS[phone.digests]}
        self._alarms_below = f"{prefix}/alarm/"
        self._is_new = queue.kept("begun") is None
        # Alarms as retained records have them; the second, while they are coming in.
        self._states: dict[str, str] | None = None
        self._coming: dict[str, str] = {}
        self._runs = False

    def filters(self) -> list[tuple[str, int]]:
        """What is subscribed, with its quality of service."""
        found = [(self._topics.annunciation, 1), (self._topics.newest_annunciation, 1)]
        found += [(topic, 1) for topic in self._digests]
        found += [(f"{self._alarms_below}#", 0), (self._topics.service, 0), (f"{self._own}/#", 0)]
        return [*found, (self.reply_topic, 1)] if self._takes_replies else found

    def standing(self) -> Standing:
        """What is known of the alarms; nothing, while watchd does not run."""
        return Standing(self._states if self._runs else None)

    @property
    def knows(self) -> bool:
        """Whether all that is retained has come over this link."""
        return self._states is not None

    def linked(self, *, stands: bool) -> None:
        """There is a link, or none: what stands comes anew, and is known when the mark is back."""
        del stands
        self._states, self._coming, self._runs = None, {}, False

    def take(self, message: Message) -> None:
        """Take one in. Raises WatchdError where it could not be kept: it is to be said again."""
        topic, raw = str(message.topic), bytes(message.payload)
        try:
            self._take(topic, raw, retained=bool(message.retain))
        except sqlite3.Error as error:
            raise WatchdError(f"the queue cannot be written: {error}") from error

    def _take(self, topic: str, payload: bytes, *, retained: bool) -> None:
        if topic in (self._topics.annunciation, self._topics.newest_annunciation):
            if payload:
                self._keep(annunciation(payload, self._call.now()), topic, retained=retained)
        elif topic in self._digests:
            if payload:
                found = digest(payload, self._call.now(), self._digests[topic])
                self._keep(found, topic, retained=retained)
        elif topic.startswith(self._alarms_below):
            self._alarm(topic.removeprefix(self._alarms_below), payload)
        elif topic == self._topics.service:
            record = _object(payload)
            self._runs = record is not None and record.get("state") == "running"
            self._call.service(record)
        elif topic == self.mark:
            self._all_is_known()
        elif topic.startswith(f"{self._own}/"):
            self._call.answer(topic, payload)
        elif topic == self.reply_topic and self._takes_replies:
            if retained:
                log.warning("a retained reply is not taken; replies are sent without", topic=topic)
            else:
                self._call.reply(payload)

    def _keep(self, notice: Notice | None, topic: str, *, retained: bool) -> None:
        if notice is None:
            log.warning("not understood, and not handed on", topic=topic, most_an_hour=MOST_AN_HOUR)
        elif retained and self._is_new:
            # It was said before this bridge was there: no news.
            self._queue.know(notice.identity)
        elif self._queue.take(notice, self._call.now(), self._call.targets()) is not None:
            self._call.kept()

    def _alarm(self, name: str, payload: bytes) -> None:
        record = _object(payload) if payload else None
        # While they are coming, `_coming` is the newer; the other stays until the mark.
        for states in (self._coming, self._states):
            if states is None:
                continue
            if record is None:
                states.pop(name, None)
            elif len(states) < MOST_ALARMS or name in states:
                states[name] = str(record.get("condition") or record.get("state"))

    def _all_is_known(self) -> None:
        self._states, self._coming = self._coming, {}
        if self._is_new:
            self._is_new = False
            self._queue.keep("begun", "yes")
        self._call.kept()


def _object(payload: bytes) -> dict[str, Any] | None:
    try:
        data = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    return data if isinstance(data, dict) else None
