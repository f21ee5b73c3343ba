"""The link for telemetry.

It comes over MQTT 3.1.1, whose messages cost a third of the CPU time of MQTT 5's on this side.
"""

from __future__ import annotations

import asyncio

import structlog
from aiomqtt import ProtocolVersion

from watchd.config import Config
from watchd.publish import Topics
from watchd.shell.mqtt.broker import new_client, subscribe
from watchd.shell.mqtt.handlers import Handlers, Linked
from watchd.shell.mqtt.intake import BATCH, Arrived, Intake

# Of the loop between two batches of a backlog: so many it takes until a message is on its way.
TURNS = 4
log = structlog.get_logger("watchd")


class Receiving:
    """Receives telemetry, for as long as the link stands."""

    def __init__(self, config: Config, name: str, handlers: Handlers, linked: Linked) -> None:
        self._broker, self._name = config.broker, name
        self._own = f"{Topics(config.prefix).prefix}/"
        self._call, self._linked = handlers, linked
        self._most = config.telemetry.max_waiting
        self._longest = config.telemetry.max_payload_bytes
        self._intake = Intake(self._most, self._longest)

    def waited_s(self) -> float:
        """For how long telemetry waits that nobody takes."""
        return self._intake.waited_s()

    async def once(self) -> None:
        """Connect, and receive until the link breaks."""
        intake = self._intake = Intake(self._most, self._longest)
        try:
            async with new_client(
                self._broker, ProtocolVersion.V311, self._name, intake=intake
            ) as client:
                client.read_blocks()
                await subscribe(client, [(t, 0) for t in self._call.subscriptions()])
                log.info("receiving telemetry", host=self._broker.host, port=self._broker.port)
                self._linked()
                while True:
                    await client.some(intake)
                    await self._take_waiting(intake)
        finally:
            # What a lost link left behind nobody takes any more, and so it does not wait.
            self._intake = Intake(self._most, self._longest)

    async def _take_waiting(self, intake: Intake) -> None:
        await intake.read_on()
        while len(intake):
            self._take(intake.take(BATCH))
            if dropped := intake.take_dropped():
                self._call.dropped(dropped)
            if len(intake):
                for _ in range(TURNS):
                    await asyncio.sleep(0)

    def _take(self, messages: list[Arrived]) -> None:
        """What is ours comes over the other link, and must not come twice: a source such as
        `{pack}/state` asks the broker for `+/state`, which may be ours as well.
        """
        own = self._own
        self._call.take([m for m in messages if not m.topic.startswith(own)])
