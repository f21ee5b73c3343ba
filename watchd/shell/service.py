"""The daemon: the engine between two connections, a clock, a store and the rules' files."""

from __future__ import annotations

import asyncio
import os
import signal
import time
from collections.abc import Sequence
from pathlib import Path

import structlog
from apscheduler.schedulers.asyncio import AsyncIOScheduler

from watchd.alarms.records import journal_entry
from watchd.config import Config
from watchd.engine import Engine
from watchd.own_rules import Fault
from watchd.publish import Publish
from watchd.requests import JournalQuery, answer
from watchd.rules.rule import Rule
from watchd.shell.clock import Clock, SystemTime
from watchd.shell.digests import Digests
from watchd.shell.drive import Drive, Gathered
from watchd.shell.garbage import settle
from watchd.shell.health import Health
from watchd.shell.inputs import Digested, Faulted, Fed, Input, Stepped, Ticked
from watchd.shell.lines import (
    say_advice,
    say_in_force,
    say_notes,
    say_problems,
    say_start,
    say_steps,
    say_transition,
)
from watchd.shell.mqtt.credentials import Secrets
from watchd.shell.mqtt.handlers import Handlers
from watchd.shell.mqtt.intake import Arrived
from watchd.shell.mqtt.links import Links
from watchd.shell.mqtt.outbox import Outbox
from watchd.shell.notify import notify, reloading
from watchd.shell.recovery import record, restore
from watchd.shell.reload import Files, Found, Succession, is_same_broker, succeed, wants_other_links
from watchd.shell.spool import Spool, spool_folder
from watchd.shell.store.archive import Archive, State
from watchd.shell.store.contents import Encoded
from watchd.shell.store.lock import hold

TICK_S = 1.0
DAYS_AT_ONCE = 20  # packs; then all else has its turn
MOST_QUERIES = 100
STDERR = 2
FAREWELL_S = 1.0
# Whatever hangs (a name server, a broker that no longer answers), a stop ends within this.
LAST_RESORT_S = 1.8
# But for each bank there are some messages more to say and some state to be packed and written.
LONGER_A_BANK_S, LONGEST_S = 0.03, 20.0
log = structlog.get_logger("watchd")


class Service:
    """Runs until SIGTERM or SIGINT; reads config and rules anew on SIGHUP."""

    def __init__(
        self,
        config_path: str,
        rules_option: str | None,
        config: Config,
        rules: tuple[Rule, ...],
        clock: Clock,
        *,
        instance: int | None = None,
    ) -> None:
        self._clock, self._instance = clock, instance
        self._secrets = Secrets.of(config.broker)
        self._files = Files(config_path, rules_option, config, instance)
        hold(Path(config.store.path))
        self._archive = Archive(config.store)
        self._spool = Spool(spool_folder(config.store.path))
        self._drive = Drive(config, rules, self._spool)
        self._stopping = False
        self._time = SystemTime()
        self._health = Health()
        self._has_terminal = os.isatty(STDERR)

    async def run(self) -> int:
        """Run; the exit code."""
        stop, hang_up = asyncio.Event(), asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, stop.set)
        loop.add_signal_handler(signal.SIGHUP, hang_up.set)
        self._outbox = Outbox()
        self._queries: asyncio.Queue[JournalQuery] = asyncio.Queue(MOST_QUERIES)
        self._restore()
        self._out(self._drive.resume(self._now()))
        # Both have just been loaded; a fault in the saved state is one of before.
        for fault in (Fault.RULES, Fault.CONFIG):
            self._give(Faulted(self._now(), fault, None))
        scheduler = self._schedule()
        self._digests = Digests(self._drive, self._clock, scheduler, self._now, self._tell_digest)
        self._digests.look()  # one may have been missed
        async with asyncio.TaskGroup() as self._group:
            self._links = self._linked()
            watching = [
                self._group.create_task(self._ticks(), name="ticks"),
                self._group.create_task(self._writes(), name="writes"),
                self._group.create_task(self._answers(), name="answers"),
                self._group.create_task(self._archive.condense(), name="condense"),
                self._group.create_task(self._archive.share(), name="share"),
                self._group.create_task(self._reloads(hang_up, stop), name="reloads"),
                self._group.create_task(self._digests.run(), name="digests"),
            ]
            settle()
            notify("READY=1")
            await stop.wait()
            longer_s = min(LONGER_A_BANK_S * (len(self._config.banks) - 1), LONGEST_S)
            loop.call_later(LAST_RESORT_S + longer_s, os._exit, 0)
            notify("STOPPING=1")
            log.info("watchd stops")
            scheduler.shutdown(wait=False)
            # Nothing that comes from here on may put back what the farewell takes away.
            self._stopping = True
            for task in watching:
                task.cancel()
            self._links.stop_receiving()
            self._outbox.put(self._engine.farewell(self._now()))
            try:
                async with asyncio.timeout(FAREWELL_S + longer_s / 2):
                    await self._outbox.drained()
            except TimeoutError:
                log.warning("the broker did not take the farewell in time")
                await self._write(last=True)
                # Without a goodbye, a broker that comes back to itself publishes the will. After
                # one it would go on saying that the service runs.
                os._exit(0)
            if await self._write(last=True):
                self._spool.clear()
            await self._archive.write_shared()  # as far as the last resort lets it
            self._links.stop()
        self._archive.close()
        self._spool.close()
        return 0

    def _restore(self) -> None:
        """Go on from what the last run saved, and from what came after it."""
        loaded = self._archive.load()
        again = restore(self._drive, loaded, self._archive)
        taken_over = self._archive.shares(self._config, self._instance or 1)
        if taken_over:
            self._drive.adopt(taken_over)
            log.info("banks taken over, with what others saved of them", banks=len(taken_over))
        self._spool.begin_anew()
        self._archive.wants_base()
        self._outbox.put(self._drive.annunciations.waiting())
        say_start(self._files, self._drive, self._spool, loaded.state, again)

    def _linked(self) -> Links:
        links = Links(
            self._config,
            self._clock,
            self._outbox,
            Handlers(
                take=self._take,
                dropped=self._dropped,
                delivered=self._delivered,
                broker_shows=self._broker_shows,
                retained=self._retained,
                subscriptions=self._subscriptions,
            ),
        )
        links.start(self._group)
        return links

    @property
    def _config(self) -> Config:
        return self._drive.config

    @property
    def _engine(self) -> Engine:
        """Another one after each reload."""
        return self._drive.engine

    def _retained(self) -> list[Publish]:
        return [] if self._stopping else self._engine.retained()

    def _delivered(self, message: Publish) -> None:
        self._drive.has(message)

    def _broker_shows(self, newest: bytes) -> None:
        self._outbox.drop(self._drive.broker_shows(newest))

    def _subscriptions(self) -> list[str]:
        return self._engine.subscriptions()

    def _now(self) -> float:
        return self._clock.at(self._time.now())

    # --- messages and time ---

    def _take(self, messages: Sequence[Arrived]) -> None:
        """Messages that were read together."""
        if self._stopping:  # a request can still come
            return
        # Before the messages: their times of measurement may be in the new reckoning already.
        self._follow_clock()
        shown_at, steady_at, leaves = self._clock.at, self._time.at, self._engine.leaves
        given = [
            Fed(shown_at(steady_at(at)), topic, payload, retained, reply_to, correlation)
            for topic, payload, retained, at, reply_to, correlation in messages
            if not leaves(topic)
        ]
        if not given:
            return
        record(self._archive, self._config.prefix, given)
        self._out(self._drive.take(given))

    def _dropped(self, number: int) -> None:
        self._engine.count("dropped", number)
        log.warning(
            "messages come faster than they are handled; older ones were dropped", dropped=number
        )

    async def _ticks(self) -> None:
        every_s = min(TICK_S, self._health.watchdog.rhythm_s)
        while True:
            await asyncio.sleep(every_s)
            self._follow_clock()
            completed = self._tick()
            if self._files.rules_changed():
                self._take_over(self._files.read_rules())
            for what, why in self._archive.take_faults():
                self._give(Faulted(self._now(), what, why))
            self._health.cycle(self._engine, self._links, self._time, completed=completed)

    async def _writes(self) -> None:
        """Apart from the ticks, which a card that hangs must not hold up."""
        while True:
            await asyncio.sleep(TICK_S)
            if self._spool.is_full:
                self._archive.wants_base()
            if self._archive.is_due():
                await self._write()
            elif self._archive.overflows():
                await self._archive.write(None, upto=self._drive.last)

    async def _write(self, *, last: bool = False) -> bool:
        """Save the state, and what was recorded where a block is full (or it is the last)."""
        is_base = last or self._archive.makes_base
        if self._archive.wants_days(last=last):
            await self._take_days(at_once=last)
        upto = self._drive.last
        if is_base:
            self._spool.begin_anew()
        gathered = self._drive.gather(Encoded.of)
        state = self._state_of(gathered, at_once=last)
        saved = await self._archive.write(state, last=last, upto=upto)
        if saved and is_base:
            self._spool.forget(upto)
        return saved

    async def _take_days(self, *, at_once: bool) -> None:
        for number, look in enumerate(self._engine.pack_days(), 1):
            self._archive.trends([look])
            if not at_once and number % DAYS_AT_ONCE == 0:
                await asyncio.sleep(0)

    async def _state_of(self, gathered: Gathered, *, at_once: bool) -> State:
        """All of it; between two parts, as long as a part took is left to all else."""
        took_s, is_more = 0.0, not at_once
        while is_more:
            begin = time.monotonic()
            is_more = gathered.step()
            part_s = time.monotonic() - begin
            took_s += part_s
            await asyncio.sleep(part_s)
        self._archive.state_took(took_s)
        return gathered.state()

    def _follow_clock(self) -> None:
        step_s = self._time.take_over()
        if step_s:
            log.warning("the system's clock was set", by_s=round(step_s, 1))
            self._archive.clock_was_set()
            self._give(Stepped(step_s * self._clock.speed))
            self._digests.look()

    def _tick(self) -> bool:
        """Whether the engine went through it."""
        try:
            self._give(Ticked(self._now()))
        except Exception:
            log.exception("a tick failed")
            return False
        return True

    def _give(self, given: Input) -> None:
        self._out(self._drive.give(given))

    def _tell_digest(self, given: Digested) -> None:
        self._give(given)
        self._archive.changed()  # or a power cut would have it told again

    def _out(self, messages: list[Publish]) -> None:
        """What came of one input, or of messages that came together."""
        if messages:
            self._outbox.put(messages)
        self._archive.sample(self._engine.take_samples())
        self._archive.trends(self._engine.take_trends())
        say_notes(self._engine)
        for transition in self._engine.take_transitions():
            entry = journal_entry(transition, self._engine.step_s)
            self._archive.journal(entry)
            say_transition(transition, entry)
        if say_steps(self._engine):
            self._archive.changed()
        for query in self._engine.take_queries():
            if not self._queries.full():
                self._queries.put_nowait(query)
        say_advice(self._engine)

    # --- config and rules anew ---

    async def _reloads(self, hang_up: asyncio.Event, stop: asyncio.Event) -> None:
        while True:
            await hang_up.wait()
            hang_up.clear()
            if self._has_terminal and not os.isatty(STDERR):
                # The terminal is gone in which somebody tried it out.
                os.dup2(os.open(os.devnull, os.O_WRONLY), STDERR)
                stop.set()
                continue
            notify(reloading(time.monotonic_ns()))
            self._take_over(self._files.read())
            settle()
            notify("READY=1")

    def _take_over(self, found: Found) -> None:
        """Put in force what loads, and say of the rest that the old stays."""
        say_problems(found)
        before = self._config
        config, rules = found.config or before, found.rules or self._drive.rules
        secrets = found.secrets or self._secrets
        if found.config is not None or found.rules is not None:
            try:
                new = succeed(self._drive, config, rules, self._now())
            except Exception:
                log.exception("config and rules could not be put in force; the old ones stay")
                return
            say_in_force(found, self._files, before)
            self._digests.look()
            self._archive.wants_base()
            if wants_other_links(before, self._secrets, config, secrets):
                self._secrets = secrets
                self._change_links(new, is_same_broker(before, config))
            else:
                self._outbox.put(new.gone)
            self._out(new.out)
        for fault, why in found.faults():
            self._give(Faulted(self._now(), fault, why))

    def _change_links(self, new: Succession, same_broker: bool) -> None:
        old, waiting = self._links, self._outbox.clear()
        self._outbox = Outbox()
        # What no longer stands is taken away over the old links: said over the new ones after that,
        # it would be there again.
        gone = {message.topic for message in new.gone}
        self._outbox.put(
            m for m in waiting if m.topic not in gone and (same_broker or not m.retain)
        )
        self._links = self._linked()
        self._group.create_task(self._leave(old, new, same_broker), name="leave")

    async def _leave(self, old: Links, new: Succession, same_broker: bool) -> None:
        unsaid = await old.leave(new.gone if same_broker else new.farewell)
        if same_broker:
            stands = {message.topic for message in self._retained()}
            self._outbox.put(m for m in unsaid if m.topic not in stands)
        elif unsaid:
            log.warning("the broker of before did not take back what stood there")

    # --- the calendar, and what is asked ---

    def _schedule(self) -> AsyncIOScheduler:
        """What follows the calendar; all else follows the engine's own time."""
        scheduler = AsyncIOScheduler(timezone="UTC")
        scheduler.add_job(self._say_alive, "cron", hour=0, minute=0, misfire_grace_time=3600)
        scheduler.start()
        return scheduler

    def _say_alive(self) -> None:
        raised = self._engine.raised()
        log.info("still watching", alarms_raised=raised, waiting_to_publish=len(self._outbox))

    async def _answers(self) -> None:
        """Answer what was asked of the journal, one after the other."""
        while True:
            query = await self._queries.get()
            data = await self._archive.answer(query)
            self._outbox.put([answer(query.reply_to, data, query.correlation)])
