"""The digests of a running watchd: on time, once, and not without the store's part if it can be.

APScheduler wakes at the next moment of each schedule; whether a digest is due is then asked of the
moments and of when the last one was told, which the saved state knows. So it does not matter who
woke it: the calendar, a start, a clock that was set (or a computer that slept), a reload.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import structlog
from apscheduler.schedulers.asyncio import AsyncIOScheduler

from watchd.digest.record import digest
from watchd.digest.schedule import Period, is_due
from watchd.own_rules import own_rules
from watchd.publish import rfc3339
from watchd.shell.clock import Clock
from watchd.shell.digest_reading import facts_of, read_kept, standing
from watchd.shell.drive import Drive
from watchd.shell.inputs import Digested
from watchd.shell.zone import zone_of

# The scheduler's clock has microseconds: a little late, so that the moment has come by ours.
LATE = timedelta(microseconds=2)
log = structlog.get_logger("watchd")


class Digests:
    """Makes them when they are due. `now`: Unix s as the clock shows them."""

    def __init__(
        self,
        drive: Drive,
        clock: Clock,
        scheduler: AsyncIOScheduler,
        now: Callable[[], float],
        give: Callable[[Digested], None],
    ) -> None:
        self._drive, self._clock, self._scheduler = drive, clock, scheduler
        self._now, self._give = now, give
        self._wake = asyncio.Event()
        self._said: dict[str, str] | None = None

    def look(self) -> None:
        """See whether one is due, and when the next will be."""
        self._wake.set()

    async def run(self) -> None:
        """Make what is due, for ever."""
        while True:
            await self._wake.wait()
            self._wake.clear()
            # A mistake of ours here must not end the watch.
            try:
                for period in self._due():
                    await self._try(period)
                self._arm()
            except Exception:
                log.exception("the next digest could not be scheduled")

    async def _try(self, period: Period) -> None:
        try:
            await self._make(period)
        except Exception:
            log.exception("a digest could not be made", period=str(period))

    def _due(self) -> list[Period]:
        config, at = self._drive.config, self._now()
        zone = zone_of(config.timezone)
        return [
            period
            for period, schedule in config.digest.schedules().items()
            if is_due(period, schedule, zone, at, self._drive.engine.digest_told_at(period))
        ]

    async def _make(self, period: Period) -> None:
        engine, config, at = self._drive.engine, self._drive.config, self._now()
        figures = {
            subject.removeprefix("pack/"): found
            for subject, found in engine.figures().items()
            if subject.startswith("pack/")
        }
        stands = standing(engine.alarms(), engine.step_s)
        # Days that are to be computed yet take a while, and must not hold up alarms.
        kept = await asyncio.to_thread(
            read_kept, Path(config.store.path), list(figures), period, at
        )
        facts = facts_of(
            config, (*self._drive.rules, *own_rules()), period, at, figures, stands, kept
        )
        record = digest(facts)
        self._give(Digested(at, period, record))
        log.info("digest told", period=str(period), title=record["title"])

    def _arm(self) -> None:
        """Have the scheduler wake at the next moment of each."""
        config, shown = self._drive.config, self._now()
        zone, schedules = zone_of(config.timezone), config.digest.schedules()
        following = {}
        for period in Period:
            job = f"digest-{period}"
            if period not in schedules:
                if self._scheduler.get_job(job) is not None:
                    self._scheduler.remove_job(job)
                continue
            moment = schedules[period].following(shown, zone)
            following[str(period)] = rfc3339(moment)
            at = datetime.fromtimestamp(self._clock.system_at(moment), UTC) + LATE
            self._scheduler.add_job(
                self.look, "date", run_date=at, id=job, replace_existing=True,
                misfire_grace_time=None,
            )  # fmt: skip
        if following != self._said:
            self._said = following
            log.info("next digests", **following)
