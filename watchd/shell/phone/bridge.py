"""`watchd bridge` as a process: what it keeps going, its signals, what it tells its manager."""

from __future__ import annotations

import asyncio
import os
import secrets
import signal
import sqlite3
import time
from datetime import tzinfo
from pathlib import Path
from typing import Any

import structlog
from aiomqtt import MqttError

from watchd import __version__
from watchd.config import Broker, Config, Phone
from watchd.durations import show_duration
from watchd.errors import Problem, WatchdError
from watchd.phone.hours import Hours, minutes
from watchd.phone.notice import Kind, Notice
from watchd.phone.plan import Setting
from watchd.phone.urls import Url
from watchd.phone.vigil import Told, Vigil
from watchd.publish import Publish, Topics
from watchd.shell.clock import Clock, SystemTime
from watchd.shell.notify import Watchdog, notify, reloading
from watchd.shell.phone.apprised import Apprised, keep_secrets
from watchd.shell.phone.asking import Asking
from watchd.shell.phone.handing import Around, Handing
from watchd.shell.phone.hearing import Handlers, Hearing
from watchd.shell.phone.listening import Listening, client_name
from watchd.shell.phone.queue import Lost, Queue
from watchd.shell.phone.targets import Secret, cautions_of, name_of, secret_of
from watchd.shell.zone import zone_of

TICK_S = 1.0
MARK_EVERY_S = 2.0
# For what is on its way as it stops; then what the service manager leaves (TimeoutStopSec).
FAREWELL_S = 5.0
LAST_RESORT_S = 8.0
# From the start, for the link and all that is retained; then it is told without.
EARLY_S = 15.0
log = structlog.get_logger("watchd")


class PhoneBridge:
    """Everything between the broker and the phone's services. Raises WatchdError."""

    def __init__(self, config: Config, phone: Phone, clock: Clock) -> None:
        self._config, self._phone, self._clock = config, phone, clock
        self._time = SystemTime()
        self._begun = time.monotonic()
        self._setting = setting_of(phone, zone_of(config.timezone))
        self._secret: Secret = secret_of(phone)
        self._mark = self._secret.now()
        services = {url: Apprised(url) for url in self._secret.read()}
        self._queue = Queue(Path(phone.queue), phone.most_waiting)
        self._salt = self._queue.kept("salt") or secrets.token_hex(16)
        self._queue.keep("salt", self._salt)
        told = Told(self._queue.kept("told") or Told.WELL)
        self._vigil = Vigil(phone.lost_after, self._steady(), told)
        self._handing: dict[str, tuple[Handing, asyncio.Task[None]]] = {}
        self._targets: dict[str, frozenset[str]] = {}
        self._services = services
        name = client_name(config.prefix, phone.replies.name)
        own = f"{config.prefix}/response/{phone.replies.name}"
        self._hearing = Hearing(
            config.prefix,
            phone,
            own,
            self._queue,
            Handlers(
                now=self._now,
                targets=lambda: self._targets,
                kept=self._look,
                service=self._hears_service,
                reply=self._reply,
                answer=self._answer,
            ),
        )
        self._listening = Listening(
            broker_of(config.broker, phone), name, self._hearing.filters, self._hearing.take,
            self._linked,
        )  # fmt: skip
        self._asking = Asking(
            self._queue,
            self._listening.publish,
            request_topic=Topics(config.prefix).request_of(phone.replies.name),
            answer_topic=self._hearing.answer_topic,
            own=own,
            to_phone=phone.replies.to_phone,
            tell_phone=lambda title, body: self._tell("high", title, body, Kind.ANSWER),
        )

    async def run(self) -> int:
        """Until SIGTERM or SIGINT; the exit code."""
        stop, hang_up = asyncio.Event(), asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, stop.set)
        loop.add_signal_handler(signal.SIGHUP, hang_up.set)
        keep_secrets()
        async with asyncio.TaskGroup() as self._group:
            self._begin_handing(self._services)
            self._say_start()
            tasks = [
                self._group.create_task(self._listening.run(), name="listening"),
                self._group.create_task(self._asking.run(), name="replies"),
                self._group.create_task(self._ticks(hang_up), name="ticks"),
            ]
            notify("READY=1")
            await stop.wait()
            loop.call_later(LAST_RESORT_S, os._exit, 0)
            notify("STOPPING=1")
            log.info("watchd bridge stops", waiting=self._queue.count())
            for task in tasks:
                task.cancel()
            await self._end_handing()
        self._queue.close()
        return 0

    # --- URLs ---

    def _begin_handing(self, services: dict[Url, Apprised]) -> None:
        """From now on these URLs, and no others, get what waits."""
        for caution in cautions_of(self._phone, tuple(services)):
            log.warning("open to others, or not meant", what=caution)
        named = {name_of(url.url, self._salt): (url, service) for url, service in services.items()}
        self._targets = {name: url.priorities for name, (url, _) in named.items()}
        self._queue.change_targets(self._targets)
        for name in [n for n in self._handing if n not in named]:
            self._handing.pop(name)[1].cancel()
        for name, (url, service) in named.items():
            if name in self._handing:
                continue
            handing = Handing(
                name,
                url.shown,
                service,
                self._queue,
                self._setting,
                Around(
                    self._now,
                    self._hearing.standing,
                    self._say_lost,
                    self._is_early,
                    self._clock.speed,
                ),
            )
            task = self._group.create_task(handing.run(), name=f"line {url.line}")
            self._handing[name] = handing, task
        self._look()

    async def _end_handing(self) -> None:
        for handing, _ in self._handing.values():
            handing.end()
        tasks = [task for _, task in self._handing.values()]
        if tasks:
            await asyncio.wait(tasks, timeout=FAREWELL_S)
        for task in tasks:
            task.cancel()

    def _read_urls(self) -> None:
        """The file was changed, or a person wants it read."""
        self._mark = self._secret.now()
        problems: tuple[Problem, ...] = ()
        services: dict[Url, Apprised] = {}
        try:
            services = {url: Apprised(url) for url in self._secret.read()}
        except WatchdError as error:
            problems = error.problems
        for problem in problems:
            log.error("the URLs do not load; the old ones stay", problem=str(problem))
        if problems:
            return
        self._begin_handing(services)
        log.info("URLs loaded", urls=[url.shown for url in services], most_an_hour=100)

    # --- what goes on by itself ---

    async def _ticks(self, hang_up: asyncio.Event) -> None:
        watchdog = Watchdog(os.environ, os.getpid())
        marked_at, status = float("-inf"), ""
        while True:
            try:
                async with asyncio.timeout(min(TICK_S, watchdog.rhythm_s)):
                    await hang_up.wait()
            except TimeoutError:
                pass
            if hang_up.is_set():
                hang_up.clear()
                notify(reloading(time.monotonic_ns()))
                self._read_urls()
                notify("READY=1")
            elif self._secret.now() not in (None, self._mark):
                self._read_urls()
            if step_s := self._time.take_over():
                log.warning("the system's clock was set", by_s=round(step_s, 1))
            if not self._hearing.knows and time.monotonic() - marked_at >= MARK_EVERY_S:
                marked_at = time.monotonic()
                await self._send_mark()
            try:
                self._tick()
            except sqlite3.Error as error:
                log.warning("the queue does not work", why=str(error), most_an_hour=12)
            watchdog.well(time.monotonic())
            new = f"{self._queue.count()} waiting for {len(self._handing)} URLs"
            if new != status:
                status = new
                notify(f"STATUS={status}")

    def _tick(self) -> None:
        if word := self._vigil.look(self._steady()):
            # The number makes the same word known again after a kill between the two.
            count = int(self._queue.kept("told_count") or 0)
            self._tell(word.priority, word.title, word.body, Kind.OWN, f"vigil:{count}")
            self._queue.keep("told_count", str(count + 1))
            self._queue.keep("told", self._vigil.told)
            log.info("watchd", told=str(self._vigil.told))
        if gone := self._queue.give_up(self._now() - self._phone.try_for):
            log.warning("messages were given up", number=gone, most_an_hour=12)

    async def _send_mark(self) -> None:
        """What comes back after all that is retained says that all of that is known."""
        try:
            await self._listening.publish(Publish(self._hearing.mark, b"", qos=0))
        except MqttError:
            return  # with the next link

    # --- what others call ---

    def _now(self) -> float:
        return self._clock.at(self._time.now())

    def _steady(self) -> float:
        return time.monotonic() * self._clock.speed

    def _is_early(self) -> bool:
        return not self._hearing.knows and time.monotonic() - self._begun < EARLY_S

    def _look(self) -> None:
        for handing, _ in self._handing.values():
            handing.look()

    def _linked(self, stands: bool) -> None:
        self._hearing.linked(stands=stands)
        self._vigil.link(self._steady(), stands=stands)

    def _hears_service(self, record: dict[str, Any] | None) -> None:
        self._vigil.hears(record, self._steady())

    def _reply(self, payload: bytes) -> None:
        self._asking.reply(payload)

    def _answer(self, topic: str, payload: bytes) -> None:
        self._asking.answer(topic, payload)

    def _tell(
        self, priority: str, title: str, body: str, kind: Kind, identity: str | None = None
    ) -> None:
        known_by = identity or f"{kind}:{secrets.token_hex(8)}"
        notice = Notice(known_by, kind, priority, title, body, self._now())
        if self._queue.take(notice, self._now(), self._targets) is not None:
            self._look()

    def _say_lost(self) -> None:
        """Something went through: what was lost before can be said."""
        now = self._now()
        if (lost := self._queue.lost(now)) is not None:
            self._queue.say_lost(lost_notice(lost, self._phone, now), now, self._targets)
            self._look()

    def _say_start(self) -> None:
        broker = self._config.broker
        log.info(
            "watchd bridge starts",
            version=__version__,
            broker=f"{broker.host}:{broker.port}",
            prefix=self._config.prefix,
            queue=self._phone.queue,
            waiting=self._queue.count(),
            urls=[url.shown for url in self._services],
        )


def lost_notice(lost: Lost, phone: Phone, now: float) -> Notice:
    """Says how many were not handed on, and why."""
    lines = []
    if lost.dropped:
        lines.append(
            f"{lost.dropped} were dropped, the oldest of the lowest priority: more than "
            f"{phone.most_waiting} waited, or their URL was taken away."
        )
    if lost.given_up:
        tried = show_duration(phone.try_for)
        lines.append(f"{lost.given_up} were given up after {tried}: no way to the service.")
    lines.append("`watchd alarms history` has all that happened.")
    title = "watchd: messages that did not reach you"
    return Notice(f"lost:{now}", Kind.OWN, "high", title, "\n".join(lines), now)


def broker_of(broker: Broker, phone: Phone) -> Broker:
    """The broker as this process logs in: with a user of its own, where the config has one."""
    if phone.user is None:
        return broker
    instead = {
        "user": phone.user,
        "password_file": phone.password_file,
        "password_credential": phone.password_credential,
    }
    return broker.model_copy(update=instead)


def setting_of(phone: Phone, zone: tzinfo) -> Setting:
    """What the keeper wants, as decisions take it."""
    quiet = phone.quiet_hours
    hours = Hours(0, 0, zone)
    if quiet is not None:
        hours = Hours(minutes(quiet.from_), minutes(quiet.to), zone)
    return Setting(
        quiet=hours,
        wait_in_quiet=frozenset(phone.wait_in_quiet_hours),
        gathered=frozenset(phone.gathered),
        gather_at=minutes(phone.gather_at),
        most_an_hour=phone.most_an_hour,
    )
