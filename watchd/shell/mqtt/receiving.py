"""The link for telemetry.

It comes over MQTT 3.1.1, whose messages cost a third of the CPU time of MQTT 5's on this side.
"""

from __future__ import annotations

import asyncio
from typing import Any, cast

import structlog
from aiomqtt import ProtocolVersion

from watchd.config import Config
from watchd.publish import Topics
from watchd.shell.mqtt.broker import new_client, subscribe
from watchd.shell.mqtt.handlers import Handlers, Linked
from watchd.shell.mqtt.intake import Arrived, Intake, arrived

# Messages handled before other tasks get their turn.
BATCH = 100
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
        # aiomqtt wants a class here and calls it once; this gives it the queue that we hold.
        queue = cast("type[asyncio.Queue[Any]]", lambda maxsize: intake)  # noqa: ARG005
        try:
            async with new_client(
                self._broker, ProtocolVersion.V311, self._name, queue_type=queue
            ) as client:
                await subscribe(client, [(t, 0) for t in self._call.subscriptions()])
                log.info("receiving telemetry", host=self._broker.host, port=self._broker.port)
                self._linked()
                async for message in client.messages:
                    self._take(arrived(message, intake.arrived_at))
                    await self._take_waiting(intake)
        finally:
            # What a lost link left behind nobody takes any more, and so it does not wait.
            self._intake = Intake(self._most, self._longest)

    async def _take_waiting(self, intake: Intake) -> None:
        await intake.read_on()
        for count in range(intake.qsize()):
            if count % BATCH == BATCH - 1:
                await asyncio.sleep(0)
            if intake.empty():
                break
            waiting = intake.get_nowait()
            self._take(arrived(waiting, intake.arrived_at))
        if dropped := intake.take_dropped():
            self._call.dropped(dropped)

    def _take(self, message: Arrived) -> None:
        """What is ours comes over the other link, and must not come twice: a source such as
        `{pack}/state` asks the broker for `+/state`, which may be ours as well.
        """
        if not message.topic.startswith(self._own):
            self._call.take(message)
