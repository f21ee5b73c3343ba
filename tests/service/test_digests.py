"""The digests of a running watchd: on time, once, late rather than never, and as documented."""

from __future__ import annotations

import asyncio
import json
import signal
import sqlite3
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from apscheduler.schedulers.asyncio import AsyncIOScheduler

from tests.scene import CONFIG, cells, config_of, pack
from tests.service.brokers import BrokerProcess
from tests.service.clients import Bridge, Listener, retained
from tests.service.commandline import Run
from tests.service.daemon import Daemon, Start
from tests.service.faults.faked import FakedClock
from tests.service.hut import FIGURES, write_config
from tests.service.patience import PATIENCE_S
from watchd.config import Config
from watchd.digest.schedule import DAY_S, Period
from watchd.shell.clock import Clock
from watchd.shell.digests import Digests
from watchd.shell.drive import Drive
from watchd.shell.inputs import Digested
from watchd.shell.spool import Spool

DAILY, WEEKLY = "watchd/digest/daily", "watchd/digest/weekly"
HOUR_S = 3600.0
EVEN = pack(cell_v=cells())
OSLO: dict[str, Any] = {
    "timezone": "Europe/Oslo",
    "digest": {"daily": "07:30", "weekly": "sunday 18:00"},
}
# Oslo is two hours ahead: this Monday's digest is due at 05:30 UTC.
BEFORE, AFTER, LATER = (f"2026-09-21T{t}:00Z" for t in ("05:00", "07:00", "08:00"))
SEVEN = datetime.fromisoformat("2026-09-21T05:30:00Z").timestamp()


@dataclass(slots=True)
class Made:
    """What was made, on a clock of its own."""

    drive: Drive
    clock: Clock
    digests: Digests = field(init=False)
    now: float | None = None  # where the clock was set to
    given: list[Digested] = field(default_factory=list)
    one_more: asyncio.Event = field(default_factory=asyncio.Event)

    def shown(self) -> float:
        return self.clock.at(time.time()) if self.now is None else self.now

    def give(self, given: Digested) -> None:
        self.given.append(given)
        self.one_more.set()
        self.drive.give(given)

    async def has(self, number: int) -> list[Digested]:
        async with asyncio.timeout(PATIENCE_S):
            while len(self.given) < number:
                await self.one_more.wait()
                self.one_more.clear()
        return self.given


def a_config(folder: Path, **digest: str | bool) -> Config:
    store = {"path": str(folder / "watchd.db")}
    more = {"timezone": "Europe/Oslo", "digest": digest, "store": store}
    return config_of(CONFIG + "".join(f"{n}: {json.dumps(s)}\n" for n, s in more.items()))


@asynccontextmanager
async def running(config: Config, clock: Clock) -> AsyncIterator[Made]:
    """Digests at work, on an engine that has just begun."""
    drive = Drive(config, (), Spool(None))
    made = Made(drive, clock)
    drive.resume(made.shown())
    scheduler = AsyncIOScheduler(timezone="UTC")
    scheduler.start()
    made.digests = Digests(drive, clock, scheduler, made.shown, made.give)
    made.digests.look()
    task = asyncio.create_task(made.digests.run())
    try:
        yield made
    finally:
        task.cancel()
        scheduler.shutdown(wait=False)
        with suppress(asyncio.CancelledError):
            await task


@pytest.mark.parametrize("speed", [1.0, 10_000.0])
async def test_the_calendar_wakes_it_whatever_the_speed_of_the_clock(
    tmp_path: Path, speed: float
) -> None:
    clock = Clock(time.time(), SEVEN - 0.3 * speed, speed)
    async with running(a_config(tmp_path, daily="07:30", weekly=False), clock) as made:
        (given,) = await made.has(1)
    assert given.period is Period.DAILY
    assert given.at >= SEVEN
    assert "The store could not be read" in given.record["message"], "there is none yet"
    assert made.drive.engine.digest_told_at(Period.DAILY) == given.at


async def test_a_clock_that_was_set_is_seen_at_once_and_nothing_comes_twice(
    tmp_path: Path,
) -> None:
    clock = Clock(time.time(), SEVEN - 3600, 1.0)
    async with running(a_config(tmp_path, daily="07:30", weekly="monday 07:30"), clock) as made:
        made.now = SEVEN + 60
        made.digests.look()
        given = await made.has(2)
        assert {g.period for g in given} == set(Period)
        made.digests.look()
        made.now = SEVEN + 120
        made.digests.look()
        made.now = SEVEN + DAY_S + 60
        made.digests.look()
        given = await made.has(3)
    assert [round(g.at - SEVEN) for g in given] == [60, 60, DAY_S + 60]


def test_the_state_keeps_what_was_told_and_the_broker_gets_it_again(tmp_path: Path) -> None:
    config = a_config(tmp_path, daily="07:30", weekly=False)
    drive = Drive(config, (), Spool(None))
    drive.resume(SEVEN - 60)
    given = Digested(SEVEN + 1, Period.DAILY, {"at": "then", "title": "All full"})
    (said,) = [m for m in drive.give(given) if m.topic == DAILY]
    assert (said.qos, said.retain) == (1, True)
    drive.go_on(SEVEN + 60, config, ())
    assert drive.engine.digest_told_at(Period.DAILY) == SEVEN + 1
    assert said in drive.engine.retained()
    # Another time from now on: what lies before it is not made up for.
    other = config.model_copy(update={"digest": replace_time(config, "07:00")})
    drive.go_on(SEVEN + 120, other, ())
    assert drive.engine.digest_told_at(Period.DAILY) == SEVEN + 120
    none = config.model_copy(update={"digest": replace_time(config, None)})
    drive.go_on(SEVEN + 180, none, ())
    assert drive.engine.digest_told_at(Period.DAILY) is None
    assert said not in drive.engine.retained()


def replace_time(config: Config, daily: str | None) -> object:
    return config.digest.model_copy(update={"daily": daily})


@pytest.mark.parametrize("damage", [None, 7, {"daily": 1}, {"daily": {"at": True, "record": []}}])
def test_a_damaged_part_of_the_state_is_as_if_it_had_not_been(
    tmp_path: Path, damage: object
) -> None:
    config = a_config(tmp_path, daily="07:30")
    drive = Drive(config, (), Spool(None))
    drive.resume(SEVEN)
    state = {**drive.engine.snapshot(), "digests": damage}
    engine = type(drive.engine)(config, (), state)
    engine.tick(SEVEN + 5)
    assert engine.digest_told_at(Period.DAILY) == SEVEN + 5
    assert not engine.take_notes(), "the rest of the state is used"


# --- with a real broker ---


def daemon_at(watchd: Start, config: Path, clock: str) -> Daemon:
    memory = config.parent / "memory"  # that outlives the process
    memory.mkdir(exist_ok=True)
    environment = {"XDG_RUNTIME_DIR": str(memory)}
    daemon = watchd(config, "--clock-start", clock, environment=environment)
    daemon.works()
    daemon.logs("next digests")
    return daemon


@pytest.mark.broker
def test_missed_while_it_was_down_it_comes_late_and_once(
    broker: BrokerProcess, watchd: Start, tmp_path: Path, command: Run
) -> None:
    config = write_config(tmp_path, broker.port, **OSLO)
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=without_time(), birch=without_time())
        first = daemon_at(watchd, config, BEFORE)
        listener(FIGURES)
        assert not first.log("digest told")
        first.stop()
        second = daemon_at(watchd, config, AFTER)
        heard = listener(DAILY)
        assert second.logs("digest told")["title"] == heard.data["title"]
        second.kill()
        third = daemon_at(watchd, config, LATER)
        listener(FIGURES, since=listener.now)
        assert not third.log("digest told"), "not twice"
        third.stop()
    record = heard.data
    assert record["at"].startswith("2026-09-21T07:00")
    assert [p["pack"] for p in record["packs"]] == ["alder", "birch"]
    assert record["title"] == "No full charge seen yet, nothing to do"
    assert "None" not in record["message"]
    assert retained(broker.port, DAILY)[DAILY] is not None
    done = command("digest", "--config", config, "--at", "2026-09-21T07:00:00Z", "--json")
    assert done.code == 0, done.err
    printed = json.loads(done.out)
    assert printed.keys() == record.keys()
    assert [p["pack"] for p in printed["packs"]] == ["alder", "birch"]


@pytest.mark.broker
def test_the_systems_clock_is_set_past_the_moment(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    """As where a computer has slept: the scheduler's timer alone would come an hour late."""
    clock = FakedClock(tmp_path, by_s=SEVEN - HOUR_S - time.time())
    config = write_config(tmp_path, broker.port, **OSLO)
    daemon = watchd(config, environment=clock.environment)
    daemon.works()
    daemon.logs("next digests", daily="2026-09-21T05:30:00.000Z")
    assert not daemon.log("digest told")
    clock.set(SEVEN + 60 - time.time())
    with Listener(broker.port) as listener:
        record = listener(DAILY).data
    assert record["at"].startswith("2026-09-21T05:3")
    daemon.logs("next digests", daily="2026-09-22T05:30:00.000Z")


@pytest.mark.broker
def test_a_reload_sets_other_times_and_takes_away_what_is_not_wanted(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    config = write_config(tmp_path, broker.port, **OSLO)
    daemon_at(watchd, config, BEFORE).stop()
    daemon = daemon_at(watchd, config, AFTER)
    with Listener(broker.port) as listener:
        listener(DAILY, bool)
        write_config(
            tmp_path, broker.port, timezone="UTC", digest={"daily": "21:15", "weekly": False}
        )
        daemon.process.send_signal(signal.SIGHUP)
        daemon.logs("next digests", daily="2026-09-21T21:15:00.000Z")
        assert daemon.log("next digests")[-1].get("weekly") is None
        write_config(tmp_path, broker.port, digest={"daily": False, "weekly": False})
        daemon.process.send_signal(signal.SIGHUP)
        listener(DAILY, lambda data: data is None)
    assert len(daemon.log("digest told")) == 1


@pytest.mark.broker
def test_a_store_that_cannot_be_read_is_said_and_the_rest_is_told(
    broker: BrokerProcess, watchd: Start, tmp_path: Path
) -> None:
    config = write_config(tmp_path, broker.port, **OSLO)
    daemon_at(watchd, config, BEFORE).stop()
    with sqlite3.connect(tmp_path / "store" / "watchd.db") as db:
        db.execute("DROP TABLE journal")
        db.execute("CREATE TABLE journal (id INTEGER PRIMARY KEY)")
    with Listener(broker.port) as listener, Bridge(broker.port) as bridge:
        bridge.says(alder=without_time())
        daemon_at(watchd, config, AFTER)
        record = listener(DAILY).data
    (missing,) = record["missing"]
    assert missing.startswith("The store could not be read (")
    assert missing in record["message"]
    assert record["alarms"]["told"] is None


def without_time() -> dict[str, object]:
    return {key: value for key, value in EVEN.items() if key != "t"}
