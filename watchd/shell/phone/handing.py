"""One URL: what is its turn, handing it on, and when it is tried again.

Each URL has a task of its own, so that one service that is away neither holds up the others nor
makes them get a message twice.
"""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from datetime import tzinfo
from typing import Protocol

import structlog

from watchd.phone.notice import Kind
from watchd.phone.plan import Send, Setting, decide
from watchd.phone.texts import Message, Standing, message_of
from watchd.shell.mqtt.backoff import Backoff
from watchd.shell.phone.apprised import Outcome
from watchd.shell.phone.queue import Queue

# The system's clock may be set meanwhile, and quiet hours go by it.
LONGEST_WAIT_S = 30.0
DISK_PAUSE_S = 10.0
EARLY_S = 0.2
MOST_AN_HOUR = 12
log = structlog.get_logger("watchd")


class Service(Protocol):
    """What takes a message: `Apprised`, or what stands in for it in a test."""

    async def hand_on(self, message: Message, priority: str) -> Outcome:
        """Try once."""


@dataclass(frozen=True, slots=True)
class Around:
    """`now` gives Unix seconds, of a clock that runs `speed` times as fast as the system's;
    `standing` what alarms stand; `is_early`: that is about to be heard, which what is not urgent
    waits for. `went_well` is told that something got through.
    """

    now: Callable[[], float]
    standing: Callable[[], Standing]
    went_well: Callable[[], None]
    is_early: Callable[[], bool] = lambda: False
    speed: float = 1.0


class Handing:
    """Hands on what waits for one URL, called `name` in the queue and `shown` in the log."""

    def __init__(
        self,
        name: str,
        shown: str,
        service: Service,
        queue: Queue,
        setting: Setting,
        around: Around,
    ) -> None:
        self.name, self._shown, self._service = name, shown, service
        self._queue, self._setting, self._around = queue, setting, around
        self._backoff = Backoff()
        self._news = asyncio.Event()
        self._ends = asyncio.Event()
        self._fails = False

    def look(self) -> None:
        """Something has come."""
        self._news.set()

    def end(self) -> None:
        """Hand on nothing more. `run` is over once the service has answered what is on its way:
        left without that answer, the phone would get it a second time after the next start.
        """
        self._ends.set()
        self._news.set()

    async def run(self) -> None:
        """For as long as the URL stands in the file, or until the end."""
        while not self._ends.is_set():
            self._news.clear()
            try:
                wait_s = await self.step()
            except sqlite3.Error as error:
                log.warning("the queue does not work", why=str(error), most_an_hour=MOST_AN_HOUR)
                await _heard_within(DISK_PAUSE_S, self._ends)
                continue
            if wait_s > 0:
                await _heard_within(wait_s, self._ends if self._fails else self._news)

    async def step(self) -> float:
        """Do what is to be done now; seconds until the next look."""
        now = self._around.now()
        decided = decide(
            self._queue.waiting(self.name), self._queue.sent_at(self.name), now, self._setting
        )
        if not isinstance(decided, Send):
            self._fails = False
            until = decided.until
            return (
                LONGEST_WAIT_S
                if until is None
                else min(max((until - now) / self._around.speed, 0.05), LONGEST_WAIT_S)
            )
        if self._around.is_early() and not _passes(decided) and _is_of_alarms(decided):
            return EARLY_S
        message = message_of(decided, self._around.standing(), now, self._zone)
        outcome = await self._service.hand_on(message, decided.priority)
        if outcome.ok:
            self._done(decided)
            return 0.0
        self._queue.failed(self.name, decided.these)
        wait_s = self._backoff.wait_s()
        log.warning(
            "a message could not be handed on",
            url=self._shown,
            why=outcome.why,
            waiting=len(self._queue.waiting(self.name)),
            next_try_s=round(wait_s, 1),
            most_an_hour=MOST_AN_HOUR,
        )
        self._fails = True
        return wait_s

    @property
    def _zone(self) -> tzinfo:
        return self._setting.quiet.zone

    def _done(self, sent: Send) -> None:
        # Between the two a kill makes the phone get it a second time: nothing else stands there.
        self._queue.handed_on(self.name, sent.these, self._around.now(), counts=not _passes(sent))
        if self._fails:
            log.info("messages are handed on again", url=self._shown, most_an_hour=MOST_AN_HOUR)
        self._fails, self._backoff = False, Backoff()
        log.info(
            "handed on",
            url=self._shown,
            priority=sent.priority,
            messages=[w.number for w in sent.these],
            title=sent.these[0].notice.title if len(sent.these) == 1 else "gathered",
            most_an_hour=100,
        )
        self._around.went_well()


async def _heard_within(limit_s: float, event: asyncio.Event) -> None:
    try:
        async with asyncio.timeout(limit_s):
            await event.wait()
    except TimeoutError:
        pass


def _passes(sent: Send) -> bool:
    return sent.priority == "critical" or sent.these[0].notice.kind is Kind.ANSWER


def _is_of_alarms(sent: Send) -> bool:
    return any(w.notice.alarm is not None for w in sent.these)
