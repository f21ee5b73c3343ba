"""The two connections to the broker: one for telemetry, one for what goes out.

Telemetry comes over MQTT 3.1.1, whose messages cost a third of the CPU time of MQTT 5's on the
receiving side; what goes out wants MQTT 5 for its message expiry, and takes 3.1.1 where the
broker has no other. Both set TCP_NODELAY, without which a QoS 1 exchange waits for 40 ms timers.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from typing import Any, cast

import structlog
from aiomqtt import Client, MqttError, ProtocolVersion, Will
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from watchd import __version__
from watchd.config import Config
from watchd.publish import Publish, Topics, encode
from watchd.shell.backoff import Backoff
from watchd.shell.broker import (
    REFUSED,
    BrokerClient,
    Secrets,
    client_of,
    code_of,
    refuses_protocol,
)
from watchd.shell.clock import Clock
from watchd.shell.intake import Arrived, Intake, arrived
from watchd.shell.link import Link
from watchd.shell.outbox import Outbox

# Messages handled before other tasks get their turn.
BATCH = 100
# Handling is a matter of milliseconds; this is far beyond what a busy machine makes of it.
STUCK_S = 20.0
# For the last words to a broker or under a prefix that is left.
LEAVE_S = 3.0
log = structlog.get_logger("watchd")


class Links:
    """Keeps both connections for as long as it runs. Callbacks get what came, at system times."""

    def __init__(
        self,
        config: Config,
        secrets: Secrets,
        clock: Clock,
        outbox: Outbox,
        take: Callable[[Arrived], None],
        dropped: Callable[[int], None],
        retained: Callable[[], list[Publish]],
        subscriptions: Callable[[], list[str]],
    ) -> None:
        self._broker, self._clock, self._outbox = config.broker, clock, outbox
        self._topics = Topics(config.prefix)
        self._longest = config.telemetry.max_payload_bytes
        self._most = config.telemetry.max_waiting
        self._take, self._dropped = take, dropped
        self._retained, self._subscriptions = retained, subscriptions
        self._secrets = secrets
        self._refuses_5 = False
        host, port = config.broker.host, config.broker.port
        self.telemetry, self.out = Link("telemetry", host, port), Link("out", host, port)
        self._intake = Intake(self._most, self._longest)
        self._tasks: list[asyncio.Task[None]] = []
        self._leaving = False

    def start(self, group: asyncio.TaskGroup) -> None:
        """Connect both, and keep them: tasks of the group."""
        receiving = self._keep(self.telemetry, self._receive_once)
        publishing = self._keep(self.out, self._publish_once)
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
        self._leaving = True
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
        return self._tasks[0].done() or self._intake.waited_s() > STUCK_S

    async def _keep(self, link: Link, once: Callable[[Link, Backoff], Any]) -> None:
        backoff = Backoff()
        while True:
            try:
                await once(link, backoff)
            except MqttError as error:
                wait_s = backoff.wait_s()
                link.down(str(error), wait_s)
                await asyncio.sleep(wait_s)

    def _client(self, protocol: ProtocolVersion, **more: Any) -> BrokerClient:
        secrets = self._secrets
        return client_of(self._broker, protocol, secrets.password, secrets.tls, **more)

    async def _receive_once(self, link: Link, backoff: Backoff) -> None:
        intake = self._intake = Intake(self._most, self._longest)
        # aiomqtt wants a class here and calls it once; this gives it the queue that we hold.
        queue = cast("type[asyncio.Queue[Any]]", lambda maxsize: intake)  # noqa: ARG005
        try:
            async with self._client(ProtocolVersion.V311, queue_type=queue) as client:
                await self._subscribe(client, [(t, 0) for t in self._subscriptions()])
                log.info("receiving telemetry", host=self._broker.host, port=self._broker.port)
                backoff.linked()
                link.up()
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
            self._dropped(dropped)

    async def _publish_once(self, link: Link, backoff: Backoff) -> None:
        wants_5 = self._broker.protocol == "5"
        protocol = ProtocolVersion.V5 if wants_5 and not self._refuses_5 else ProtocolVersion.V311
        will = Will(self._topics.service, lost_record(__version__), qos=1, retain=True)
        intake = Intake(self._most, self._longest)
        queue = cast("type[asyncio.Queue[Any]]", lambda maxsize: intake)  # noqa: ARG005
        try:
            async with self._client(protocol, will=will, queue_type=queue) as client:
                if self._refuses_5:
                    log.warning("the broker refuses MQTT 5; over 3.1.1 advice cannot expire there")
                    self._refuses_5 = False  # ask again at the next connection
                log.info(
                    "publishing",
                    prefix=self._topics.prefix,
                    mqtt="5" if protocol is ProtocolVersion.V5 else "3.1.1",
                )
                if not self._leaving:
                    self._outbox.put(self._retained())
                await self._subscribe_own(client, protocol)
                backoff.linked()
                link.up()
                async with asyncio.TaskGroup() as group:
                    group.create_task(self._send(client, protocol), name="send")
                    group.create_task(self._listen(client, intake), name="requests")
        except* MqttError as group_error:
            error = group_error.exceptions[0]
            while isinstance(error, BaseExceptionGroup):
                error = error.exceptions[0]
            self._refuses_5 = protocol is ProtocolVersion.V5 and refuses_protocol(error)
            if not self._refuses_5:  # else 3.1.1 is tried at once
                raise MqttError(str(error)) from error

    async def _subscribe(
        self, client: Client, filters: list[tuple[str, int]] | list[tuple[str, SubscribeOptions]]
    ) -> None:
        granted = await client.subscribe(filters)
        refused = [
            f for (f, _), code in zip(filters, granted, strict=False) if code_of(code) >= REFUSED
        ]
        if refused:
            log.error("the broker does not let watchd read", topics=refused)

    async def _subscribe_own(self, client: Client, protocol: ProtocolVersion) -> None:
        filters = [self._topics.request, *self._topics.own_retained()]
        if protocol is ProtocolVersion.V5:
            options = SubscribeOptions(qos=1, noLocal=True)
            await self._subscribe(client, [(f, options) for f in filters])
        else:
            await self._subscribe(client, [(f, 1) for f in filters])

    async def _send(self, client: BrokerClient, protocol: ProtocolVersion) -> None:
        while True:
            key, message = await self._outbox.first()
            await client.publish(
                message.topic,
                message.payload,
                qos=message.qos,
                retain=message.retain,
                properties=self._properties(message) if protocol is ProtocolVersion.V5 else None,
            )
            if client.refusal is not None:
                log.error(
                    "the broker does not let watchd publish",
                    topic=message.topic,
                    reason=client.refusal,
                )
                client.refusal = None
            self._outbox.done(key, message)
            task = asyncio.current_task()
            if task is not None and task.cancelling():
                # Until Python 3.12, wait_for (in publish) can swallow a cancellation.
                raise asyncio.CancelledError

    async def _listen(self, client: Client, intake: Intake) -> None:
        async for message in client.messages:
            if not self._leaving:  # the other links take it
                self._take(arrived(message, intake.arrived_at))

    def _properties(self, message: Publish) -> Properties | None:
        if message.expires_in_s is None and not message.correlation:
            return None
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call] # paho's
        if message.expires_in_s is not None:
            seconds = self._clock.system_seconds(message.expires_in_s)
            properties.MessageExpiryInterval = max(1, math.ceil(seconds))
        if message.correlation:
            properties.CorrelationData = message.correlation
        return properties


def lost_record(version: str) -> bytes:
    """What the broker publishes in our name when the connection breaks.

    The broker does not stamp it, and we cannot know when that will be: `since` is null.
    """
    return encode({"state": "lost", "since": None, "version": version})
