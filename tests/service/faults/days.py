"""Days of a simulated bank of three packs through engine, archive and outbox, and their memory.

All data is invented. `python -m tests.service.faults.days DAYS` prints the memory of each day.
"""

from __future__ import annotations

import asyncio
import gc
import itertools
import random
import sys
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.service.faults.process import resident_mb
from tests.truth import healthy, simulate
from tests.truth.messages import config_of, messages
from watchd.alarms.records import journal_entry
from watchd.config import Config
from watchd.config.file import Store as StoreSection
from watchd.engine import Engine
from watchd.loading import load_rules
from watchd.shell.mqtt.outbox import Outbox
from watchd.shell.store.archive import Archive

DAY_S = 86400.0
SAVE_EVERY_S = 300.0
# Lived through again and again, so that what is simulated takes the same memory all the time.
SIMULATED_DAYS = 5
PACKS_AH = (280.0, 280.0, 200.0)
RULES = Path(__file__).parents[3] / "rules"
Told = tuple[str, bytes, float]


@dataclass
class Lived:
    """Memory in MB after each span of time, and how much happened."""

    mb: list[float] = field(default_factory=list)
    messages: int = 0
    published: int = 0
    alarms: int = 0


class Bank:
    """Does with messages what the service does, without its tasks: time is that of the messages."""

    def __init__(self, config: Config, lived: Lived) -> None:
        self._archive = Archive(config.store)
        self._engine = Engine(config, load_rules(RULES))
        self._outbox = Outbox()
        self._lived = lived
        self._saved_at = float("-inf")

    async def take(self, topic: str, payload: bytes, at: float) -> None:
        """One message, and all that follows from it."""
        self._lived.messages += 1
        self._archive.record(topic, payload, at, retained=False)
        self._outbox.put(self._engine.feed(topic, payload, at))
        self._engine.take_notes()
        for transition in self._engine.take_transitions():
            self._lived.alarms += 1
            self._archive.journal(journal_entry(transition, self._engine.step_s))
        self._engine.take_steps()
        self._engine.take_advice()
        self._engine.take_queries()
        while len(self._outbox):
            for key, message in await self._outbox.first(8):
                self._outbox.done(key, message)
                self._lived.published += 1
        if at - self._saved_at >= SAVE_EVERY_S:
            self._saved_at = at
            await self._archive.write(self._engine.snapshot())

    def close(self) -> None:
        """The end."""
        self._archive.close()


def again_and_again(told: list[Told], until_s: float) -> Iterator[Told]:
    """These messages over and over, for that long, with times that go on."""
    begin, end = told[0][2], told[-1][2]
    for lap in itertools.count():
        for topic, payload, at in told:
            now = at + lap * (end - begin + 10.0)
            if now - begin >= until_s:
                return
            yield topic, payload, now


def with_faults(told: Iterable[Told], rng: random.Random) -> Iterator[Told]:
    """As bridges do now and then: cut off, not JSON, lost, twice, a trip, unknown topics."""
    for topic, payload, at in told:
        chance = rng.random()
        if chance < 0.004:
            yield topic, payload[:-9], at
        elif chance < 0.006:
            yield topic, b"%d" % rng.getrandbits(64), at
        elif chance < 0.007:
            yield f"hut/{rng.getrandbits(32)}/state", payload, at
        elif chance < 0.0075:
            yield topic, payload.replace(b'"prot":0', b'"prot":1'), at
        elif chance > 0.002 + 0.0075:
            yield topic, payload, at
        if chance > 0.998:
            yield topic, payload, at


def live(days: int, packs: int, span_s: float) -> Lived:
    """Live through days with so many packs; memory after each span."""
    return asyncio.run(_live(days, packs, span_s))


async def _live(days: int, packs: int, span_s: float) -> Lived:
    made = simulate(healthy(1, PACKS_AH[:packs]), days=min(days, SIMULATED_DAYS))
    # Every other round: a bridge that sends every 20 s.
    told = [m for n, m in enumerate(messages(made, 0)) if n // packs % 2 == 0]
    config, lived = config_of(made, 0), Lived()
    with tempfile.TemporaryDirectory() as folder:
        store = StoreSection(path=f"{folder}/watchd.db")
        bank = Bank(config.model_copy(update={"store": store}), lived)
        look_at = told[0][2] + span_s
        told_again = again_and_again(told, days * DAY_S)
        for topic, payload, at in with_faults(told_again, random.Random(7)):
            if at >= look_at:
                look_at += span_s
                gc.collect()
                lived.mb.append(round(resident_mb(), 2))
            await bank.take(topic, payload, at)
        bank.close()
    return lived


if __name__ == "__main__":
    print(live(int(sys.argv[1]), 3, DAY_S))
