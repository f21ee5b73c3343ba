"""How the service is: what the service manager is told, and what the log says of lost packs."""

from __future__ import annotations

import os
import time
from datetime import UTC, datetime

import structlog

from watchd.durations import show_duration
from watchd.engine import Engine
from watchd.shell.clock import SystemTime
from watchd.shell.mqtt.link import MOST_AN_HOUR
from watchd.shell.mqtt.links import Links
from watchd.shell.notify import Watchdog, notify
from watchd.watch.heard import Heard

# A change shows within it, and the manager is not told more often.
LOOK_EVERY_S = 2.0
log = structlog.get_logger("watchd")


class Health:
    """Looks at the service after each cycle of evaluation."""

    def __init__(self) -> None:
        self.watchdog = Watchdog(os.environ, os.getpid())
        self._status = ""
        self._looked_at = float("-inf")
        self._heard: dict[str, Heard] = {}

    def cycle(self, engine: Engine, links: Links, clock: SystemTime, *, completed: bool) -> None:
        """A cycle has ended; `completed`: the engine went through it.

        The watchdog hangs on that and on telemetry being taken, not on a timer: what no longer
        watches is to be started anew. A broker that is away is no reason for it.
        """
        at = time.monotonic()
        if completed and not links.is_stuck():
            self.watchdog.well(at)
        if at - self._looked_at >= LOOK_EVERY_S:
            self._looked_at = at
            self._look(engine, links, clock)

    def _look(self, engine: Engine, links: Links, clock: SystemTime) -> None:
        heard = engine.heard()
        self._tell_of_packs(heard)
        status = status_text(heard, engine, links, clock)
        if status != self._status:
            self._status = status
            notify(f"STATUS={status}")

    def _tell_of_packs(self, heard: dict[str, Heard]) -> None:
        told: dict[str, Heard] = {}
        for pack, now in heard.items():
            before = self._heard.get(pack, Heard(fresh=False, last_at=None))
            if before.fresh and not now.fresh:
                log.warning("telemetry of a pack is lost", pack=pack, most_an_hour=MOST_AN_HOUR)
            elif now.fresh and not before.fresh:
                away = {}
                if before.last_at is not None and now.last_at is not None:
                    away["away"] = show_duration(now.last_at - before.last_at)
                event = "telemetry of a pack is back" if away else "telemetry of a pack comes"
                log.info(event, pack=pack, **away, most_an_hour=MOST_AN_HOUR)
            told[pack] = now
        self._heard = told


def status_text(heard: dict[str, Heard], engine: Engine, links: Links, clock: SystemTime) -> str:
    """One line for `systemctl status`."""
    fresh = sum(pack.fresh for pack in heard.values())
    raised = engine.raised()
    return "; ".join(
        [
            f"watching {_count(len(heard), 'pack')}, "
            + ("all heard" if fresh == len(heard) else f"{fresh} heard"),
            _links_text(links, clock),
            f"{_count(raised, 'alarm')} raised" if raised else "no alarm raised",
        ]
    )


def _links_text(links: Links, clock: SystemTime) -> str:
    if links.telemetry.stands and links.out.stands:
        return "linked to the broker"
    if links.out.stands:
        what, link = "receives nothing, for want of a link to the broker,", links.telemetry
    elif links.telemetry.stands:
        what, link = "publishes nothing, for want of a link to the broker,", links.out
    else:
        what, link = "no link to the broker", links.telemetry
    since = datetime.fromtimestamp(clock.at(link.since), UTC)
    return f"{what} since {since:%Y-%m-%d %H:%M} UTC"


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
