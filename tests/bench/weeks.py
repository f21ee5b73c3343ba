"""Weeks of a daemon in minutes: its own engine, history, store, spool and digests, by made-up time.

`tests.bench.memory --days N` starts it in a process of its own and writes messages to its input;
it prints what it holds in memory at the start and after each day of theirs. What it lacks of the
daemon are the connections to the broker. What the tests bring in is not here.
"""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

from watchd.alarms.records import journal_entry
from watchd.loading import load
from watchd.publish import Publish
from watchd.shell.clock import Clock
from watchd.shell.digests import Digests
from watchd.shell.drive import Drive
from watchd.shell.garbage import put_off, settle
from watchd.shell.inputs import Digested, Fed, Ticked
from watchd.shell.lines import say_advice, say_notes, say_steps, say_transition
from watchd.shell.log import set_up_log
from watchd.shell.mqtt.outbox import Outbox
from watchd.shell.recovery import record
from watchd.shell.service import TICK_S
from watchd.shell.spool import Spool
from watchd.shell.store import archive as archives
from watchd.shell.store.archive import Archive
from watchd.shell.store.contents import Encoded

PAGE_MB = os.sysconf("SC_PAGE_SIZE") / 2**20
DAY_S, HOUR_S = 86_400, 3600
CALENDAR = cast("Any", SimpleNamespace(get_job=lambda _: None, add_job=lambda *_, **__: None))


class Weeks:
    """What `Service` does with messages, ticks and writes, when their time has come."""

    def __init__(self, path: Path) -> None:
        config, rules = load(path)
        self.at = 0.0
        vars(archives)["time"] = SimpleNamespace(monotonic=lambda: self.at)
        archives.BREATH_S = 0.0
        self.archive = Archive(config.store)
        self.spool = Spool(path.parent / "spool")
        self.drive = Drive(config, rules, self.spool)
        self.outbox = Outbox()
        self.digests = Digests(self.drive, Clock(), CALENDAR, lambda: self.at, self._tell_digest)

    def begin(self) -> None:
        """As a start does."""
        self._out(self.drive.resume(self.at))
        self.archive.wants_base()

    def take(self, given: list[Fed]) -> None:
        """Messages that came together."""
        record(self.archive, self.drive.config.prefix, given)
        self._out(self.drive.take(given))

    def tick(self) -> None:
        """Time has passed."""
        self._out(self.drive.give(Ticked(self.at)))

    async def write_if_due(self) -> None:
        """State, journal and telemetry, when the archive wants it."""
        if not self.archive.is_due():
            return
        is_base, upto = self.archive.makes_base, self.drive.last
        if self.archive.wants_days():
            self.archive.trends(list(self.drive.engine.pack_days()))
        if is_base:
            self.spool.begin_anew()
        if await self.archive.write(self.drive.gather(Encoded.of).state(), upto=upto) and is_base:
            self.spool.forget(upto)

    async def hourly(self) -> None:
        """Condense days that are over, tell digests that are due.

        Here all else waits for it: of the daemon's time it takes some seconds.
        """
        while await self.archive._condense_one():
            pass
        for period in self.digests._due():
            await self.digests._make(period)

    def _tell_digest(self, given: Digested) -> None:
        self._out(self.drive.give(given))
        self.archive.changed()

    def _out(self, messages: list[Publish]) -> None:
        engine, archive = self.drive.engine, self.archive
        self.outbox.put(messages)
        archive.sample(engine.take_samples())
        archive.trends(engine.take_trends())
        say_notes(engine)
        for transition in engine.take_transitions():
            entry = journal_entry(transition, engine.step_s)
            archive.journal(entry)
            say_transition(transition, entry)
        if say_steps(engine):
            archive.changed()
        say_advice(engine)
        for message in self.outbox.clear():  # the broker has them
            self.drive.has(message)


def messages() -> Iterator[Fed]:
    """Out of the input: time of arrival, topic and payload, one a line."""
    for line in sys.stdin.buffer:
        at, topic, payload = line.rstrip(b"\n").split(b" ", 2)
        yield Fed(float(at), topic.decode(), payload)


def say(what: str) -> None:
    """A line of the table."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    print(f"{what:>16} {pages * PAGE_MB:6.1f} MB", flush=True)


async def run(path: Path) -> None:
    """Through all that comes in."""
    weeks = Weeks(path)
    seconds = groupby(messages(), lambda given: given.at // TICK_S)
    first = day = hour = 0.0
    for second, given in seconds:
        weeks.at = (second + 1) * TICK_S
        if not day:
            weeks.begin()
            settle()
            say("at the start")
            first = day = weeks.at // DAY_S
        weeks.take(list(given))
        weeks.tick()
        await weeks.write_if_due()
        if weeks.at // HOUR_S != hour:
            hour = weeks.at // HOUR_S
            await weeks.hourly()
        if weeks.at // DAY_S != day:
            day = weeks.at // DAY_S
            say(f"after {day - first:.0f} days")
    weeks.archive.close()


def main() -> None:
    """Read the config that is named, then what comes in."""
    put_off()
    set_up_log(as_json=False, verbose=False)
    asyncio.run(run(Path(sys.argv[1])))


if __name__ == "__main__":
    main()
