"""The two links to the broker, kept for as long as the service runs.

Both set TCP_NODELAY, without which a QoS 1 exchange waits for 40 ms timers.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Awaitable, Callable

import structlog
from aiomqtt import MqttError

from watchd.config import Config
from watchd.errors import WatchdError
from watchd.publish import Publish
from watchd.shell.clock import Clock
from watchd.shell.mqtt.backoff import Backoff
from watchd.shell.mqtt.credentials import cautions_of, distrust_of
from watchd.shell.mqtt.handlers import Handlers
from watchd.shell.mqtt.link import Link, Trust
from watchd.shell.mqtt.outbox import Outbox
from watchd.shell.mqtt.publishing import Publishing
from watchd.shell.mqtt.receiving import Receiving

# Handling is a matter of milliseconds; this is far beyond what a busy machine makes of it.
STUCK_S = 20.0
# For the last words to a broker or under a prefix that is left.
LEAVE_S = 3.0
log = structlog.get_logger("watchd")


class Links:
    """Keeps both, each on its own."""

    def __init__(self, config: Config, clock: Clock, outbox: Outbox, handlers: Handlers) -> None:
        self._broker, self._outbox = config.broker, outbox
        # The same for as long as it runs: a new link ends an old one that is half open, at once,
        # so that its will is not published after the new one said that the service runs.
        # MQTT 3.1.1 section 3.1.3.1: 23 letters and digits are taken everywhere.
        name = f"watchd{secrets.token_hex(8)}"
        host, port = config.broker.host, config.broker.port
        self.telemetry, self.out = Link("telemetry", host, port), Link("out", host, port)
        self._trust = Trust(host, port)
        self._backoff = {link: Backoff() for link in (self.telemetry, self.out)}
        self._receiving = Receiving(
            config, f"{name}t", handlers, lambda: self._linked(self.telemetry)
        )
        self._publishing = Publishing(
            config, name, clock, outbox, handlers, lambda: self._linked(self.out)
        )
        self._tasks: list[asyncio.Task[None]] = []

    def start(self, group: asyncio.TaskGroup) -> None:
        """Connect both, and keep them: tasks of the group."""
        for caution in cautions_of(self._broker):
            log.warning("open to others", what=caution)
        receiving = self._keep(self.telemetry, self._receiving.once)
        publishing = self._keep(self.out, self._publishing.once)
        self._tasks = [
            group.create_task(receiving, name="telemetry"),
            group.create_task(publishing, name="out"),
        ]

    def stop_receiving(self) -> None:
        """No more telemetry; what waits still goes out."""
        self._tasks[0].cancel()

    def stop(self) -> None:
        """Let go of both."""
        for task in self._tasks:
            task.cancel()

    async def leave(self, last_words: list[Publish]) -> list[Publish]:
        """Let go of both, for other links that are there already; what could not be said.

        The outbox has to be these links' own by now.
        """
        self._publishing.leaving = True
        self.stop_receiving()
        self._outbox.clear()
        self._outbox.put(last_words)
        try:
            async with asyncio.timeout(LEAVE_S):
                await self._outbox.drained()
        except TimeoutError:
            pass
        self.stop()
        await asyncio.wait(self._tasks)
        return self._outbox.clear()

    def is_stuck(self) -> bool:
        """Whether telemetry waits that nobody takes, or nobody is there to take it.

        A broker that is away, or sends nothing, is none of this.
        """
        return self._tasks[0].done() or self._receiving.waited_s() > STUCK_S

    async def _keep(self, link: Link, once: Callable[[], Awaitable[None]]) -> None:
        while True:
            try:
                await once()
            except (MqttError, WatchdError) as error:
                wait_s = self._backoff[link].wait_s()
                distrust = distrust_of(error, self._broker)
                if distrust is not None:
                    self._trust.lacks(distrust, wait_s)
                else:
                    link.down(str(error), wait_s)
                await asyncio.sleep(wait_s)

    def _linked(self, link: Link) -> None:
        self._trust.stands()
        self._backoff[link].linked()
        link.up()
