"""The daemon: the engine between two connections, a clock, a store and the rules' files."""

from __future__ import annotations

import asyncio
import os
import signal
import time
from pathlib import Path
from typing import Any

import structlog
from apscheduler.schedulers.asyncio import AsyncIOScheduler

from watchd import __version__
from watchd.alarms.records import journal_entry
from watchd.config import Config
from watchd.engine import Engine
from watchd.errors import WatchdError
from watchd.loading import load_rules, rule_files, rules_folder
from watchd.own_rules import Fault
from watchd.publish import Publish, Topics
from watchd.requests import JournalQuery, answer
from watchd.rules.rule import Rule
from watchd.shell.archive import Archive
from watchd.shell.clock import Clock, SystemTime
from watchd.shell.intake import Arrived
from watchd.shell.links import Links, lost_record
from watchd.shell.notify import notify
from watchd.shell.outbox import Outbox

TICK_S = 1.0
MOST_QUERIES = 100
FAREWELL_S = 1.0
# Whatever hangs (a name server, a broker that no longer answers), a stop ends within this.
LAST_RESORT_S = 1.8
log = structlog.get_logger("watchd")


class Service:
    """Runs until SIGTERM or SIGINT."""

    def __init__(
        self,
        config_path: str,
        rules_option: str | None,
        config: Config,
        rules: tuple[Rule, ...],
        clock: Clock,
    ) -> None:
        self._config, self._clock = config, clock
        self._folder = rules_folder(Path(config_path), config, rules_option)
        self._rules_seen = self._rules_stamp()
        self._archive = Archive(config.store)
        self._engine = Engine(config, rules, state=self._archive.load())
        self._rules = rules
        self._topics = Topics(config.prefix)
        self._said_dropped_at = float("-inf")
        self._stopping = False
        self._time = SystemTime()

    async def run(self) -> int:
        """Run; the exit code."""
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, stop.set)
        self._outbox = Outbox()
        self._queries: asyncio.Queue[JournalQuery] = asyncio.Queue(MOST_QUERIES)
        links = Links(
            self._config,
            self._clock,
            self._outbox,
            self._take,
            self._dropped,
            self._retained,
            self._subscriptions,
            lost_record(__version__),
        )
        config = self._config
        log.info(
            "watchd starts",
            version=__version__,
            banks=list(config.banks),
            packs=list(config.packs),
            rules=len(self._rules),
            prefix=config.prefix,
            broker=f"{config.broker.host}:{config.broker.port}",
            store=config.store.path,
        )
        self._tick()
        # The rules have just been loaded; a fault in the saved state is one of before.
        self._out(self._engine.fault(Fault.RULES, None, self._now()))
        scheduler = self._schedule()
        async with asyncio.TaskGroup() as group:
            out = group.create_task(links.out(), name="out")
            watching = [
                group.create_task(links.telemetry(), name="telemetry"),
                group.create_task(self._ticks(), name="ticks"),
                group.create_task(self._answers(), name="answers"),
            ]
            notify("READY=1")
            await stop.wait()
            loop.call_later(LAST_RESORT_S, os._exit, 0)
            notify("STOPPING=1")
            log.info("watchd stops")
            scheduler.shutdown(wait=False)
            # Nothing that comes from here on may put back what the farewell takes away.
            self._stopping = True
            for task in watching:
                task.cancel()
            self._outbox.put(self._engine.farewell(self._now()))
            try:
                async with asyncio.timeout(FAREWELL_S):
                    await self._outbox.drained()
            except TimeoutError:
                log.warning("the broker did not take the farewell in time")
                await self._archive.write(self._engine.snapshot(), last=True)
                # Without a goodbye, a broker that comes back to itself publishes the will. After
                # one it would go on saying that the service runs.
                os._exit(0)
            await self._archive.write(self._engine.snapshot(), last=True)
            out.cancel()
        self._archive.close()
        return 0

    # The engine is another after each reload of the rules, so nobody else holds it.

    def _retained(self) -> list[Publish]:
        return [] if self._stopping else self._engine.retained()

    def _subscriptions(self) -> list[str]:
        return self._engine.subscriptions()

    def _now(self) -> float:
        return self._clock.at(self._time.now())

    # --- messages and time ---

    def _take(self, message: Arrived) -> None:
        if self._stopping:  # a request can still come
            return
        # Before the message: its time of measurement may be in the new reckoning already.
        self._follow_clock()
        topic, at = message.topic, self._clock.at(self._time.at(message.at))
        if topic == self._topics.request or not topic.startswith(self._topics.prefix + "/"):
            self._archive.record(topic, message.payload, at, retained=message.retained)
        try:
            out = self._engine.feed(
                topic,
                message.payload,
                at,
                message.retained,
                message.reply_to,
                message.correlation,
            )
            self._out(out)
        except Exception:
            # A mistake of ours in one message must not end the watch over all others.
            log.exception("a message could not be handled", topic=message.topic[:200])
            self._engine.count("failed")

    def _dropped(self, number: int) -> None:
        self._engine.count("dropped", number)
        if time.monotonic() - self._said_dropped_at > 60:
            self._said_dropped_at = time.monotonic()
            log.warning(
                "messages come faster than they are handled; older ones were dropped",
                dropped=number,
            )

    async def _ticks(self) -> None:
        while True:
            await asyncio.sleep(TICK_S)
            self._follow_clock()
            self._tick()
            self._reload_rules()
            if self._archive.is_due():
                await self._archive.write(self._engine.snapshot())
            elif self._archive.overflows():
                await self._archive.write(None)

    def _follow_clock(self) -> None:
        step_s = self._time.take_over()
        if step_s:
            log.warning("the system's clock was set", by_s=round(step_s, 1))
            self._engine.step_clock(step_s * self._clock.speed)
            self._outbox.put(self._retained())

    def _tick(self) -> None:
        try:
            self._out(self._engine.tick(self._now()))
        except Exception:
            log.exception("a tick failed")

    def _out(self, messages: list[Publish]) -> None:
        self._outbox.put(messages)
        for note in self._engine.take_notes():
            (log.warning if note.warning else log.info)(note.event, **note.fields)
        for transition in self._engine.take_transitions():
            entry = journal_entry(transition, self._engine.step_s)
            self._archive.journal(entry)
            log.info(
                "alarm",
                rule=transition.rule.name,
                subject=transition.subject,
                happened=entry["event"],
                state=entry["state"],
                told=entry["told"],
                text=entry["text"],
            )
        for news in self._engine.take_steps():
            self._archive.changed()
            step = news.procedure
            log.info("re-anchoring", pack=step.pack, way=str(step.way), step=str(step.step))
        for query in self._engine.take_queries():
            if not self._queries.full():
                self._queries.put_nowait(query)
        for said in self._engine.take_advice():
            advice = said.advice
            level = log.debug if advice.amount is not None else log.info
            level(said.kind, bank=said.bank, amount=advice.amount, because=advice.because)

    # --- rules ---

    def _rules_stamp(self) -> Any:
        try:
            found = [
                (str(p), s.st_mtime_ns, s.st_size)
                for p in rule_files(self._folder)
                for s in [p.stat()]
            ]
        except (WatchdError, OSError):
            return None
        return found

    def _reload_rules(self) -> None:
        stamp = self._rules_stamp()
        if stamp == self._rules_seen:
            return
        self._rules_seen = stamp
        try:
            rules = load_rules(self._folder)
        except WatchdError as error:
            for problem in error.problems:
                # The place is in the text; a traceback would say nothing to the keeper.
                log.error("rules do not load; the old ones stay", problem=str(problem))  # noqa: TRY400
            self._out(self._engine.fault(Fault.RULES, str(error.problems[0]), self._now()))
            return
        # The new engine goes on from the old one's state; an alarm whose rule is the same, too.
        self._engine = Engine(self._config, rules, state=self._engine.snapshot())
        self._rules = rules
        log.info("rules loaded", rules=len(rules), folder=str(self._folder))
        self._tick()
        self._out(self._engine.fault(Fault.RULES, None, self._now()))
        # Texts and priorities may be others now, also of alarms that stand.
        self._outbox.put(self._retained())

    # --- the calendar, and what is asked ---

    def _schedule(self) -> AsyncIOScheduler:
        """What follows the calendar; all else follows the engine's own time."""
        scheduler = AsyncIOScheduler(timezone="UTC")
        scheduler.add_job(self._say_alive, "cron", hour=0, minute=0, misfire_grace_time=3600)
        scheduler.start()
        return scheduler

    def _say_alive(self) -> None:
        raised = [a for a in self._engine.alarms() if a.is_raised]
        log.info("still watching", alarms_raised=len(raised), waiting_to_publish=len(self._outbox))

    async def _answers(self) -> None:
        """Answer what was asked of the journal, one after the other."""
        while True:
            query = await self._queries.get()
            data = await self._archive.answer(query)
            self._outbox.put([answer(query.reply_to, data, query.correlation)])
