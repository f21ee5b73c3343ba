"""The two connections to the broker: one for telemetry, one for what goes out.

Telemetry comes over MQTT 3.1.1, whose messages cost a third of the CPU time of MQTT 5's on the
receiving side; what goes out wants MQTT 5 for its message expiry, and takes 3.1.1 where the
broker has no other. Both set TCP_NODELAY, without which a QoS 1 exchange waits for 40 ms timers.
"""

from __future__ import annotations

import asyncio
import math
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, cast

import structlog
from aiomqtt import Client, MqttError, ProtocolVersion, Will
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from watchd import __version__
from watchd.config import Config
from watchd.errors import WatchdError
from watchd.publish import Publish, Topics, encode
from watchd.shell.backoff import Backoff
from watchd.shell.broker import (
    ANSWER_TIMEOUT_S,
    REFUSED,
    BrokerClient,
    client_of,
    code_of,
    refuses_protocol,
)
from watchd.shell.clock import Clock
from watchd.shell.credentials import Secrets, cautions_of, distrust_of
from watchd.shell.intake import Arrived, Intake, arrived
from watchd.shell.link import Link, Trust
from watchd.shell.outbox import Key, Outbox

# Messages handled before other tasks get their turn.
BATCH = 100
# Handling is a matter of milliseconds; this is far beyond what a busy machine makes of it.
STUCK_S = 20.0
# For the last words to a broker or under a prefix that is left.
LEAVE_S = 3.0
# On a slow link all that is unanswered delays what comes after it, however urgent. So no more than
# this is on its way (a few figures), and yet it need not wait for the answer to each message.
MOST_UNANSWERED_BYTES = 4096
MOST_UNANSWERED = 8
LONGEST_PACKET = 262_144  # bytes that MQTT 5 lets us ask the broker to stay below
log = structlog.get_logger("watchd")


@dataclass(frozen=True, slots=True)
class Handlers:
    """What the links call: `take` and `dropped` with what came, `delivered` with what the broker
    has, `broker_shows` with its copy of the newest annunciation; and what they ask for.
    """

    take: Callable[[Arrived], None]
    dropped: Callable[[int], None]
    delivered: Callable[[Publish], None]
    broker_shows: Callable[[bytes], None]
    retained: Callable[[], list[Publish]]
    subscriptions: Callable[[], list[str]]


class Links:
    """Keeps both connections for as long as it runs."""

    def __init__(self, config: Config, clock: Clock, outbox: Outbox, handlers: Handlers) -> None:
        self._broker, self._clock, self._outbox = config.broker, clock, outbox
        self._topics, self._requests = Topics(config.prefix), config.requests
        self._longest = config.telemetry.max_payload_bytes
        self._most = config.telemetry.max_waiting
        self._call = handlers
        self._refuses_5 = False
        self._knows_5 = False
        # The same for as long as it runs: a new link ends an old one that is half open, at once,
        # so that its will is not published after the new one said that the service runs.
        # MQTT 3.1.1 section 3.1.3.1: 23 letters and digits are taken everywhere.
        self._name = f"watchd{secrets.token_hex(8)}"
        # Over MQTT 5 the broker's choice: one that does not know MQTT 5 may trip over a name.
        self._name_5: str | None = None
        self._patience_s = max(ANSWER_TIMEOUT_S, config.broker.keepalive)
        host, port = config.broker.host, config.broker.port
        self.telemetry, self.out = Link("telemetry", host, port), Link("out", host, port)
        self._trust = Trust(host, port)
        self._intake = Intake(self._most, self._longest)
        self._tasks: list[asyncio.Task[None]] = []
        self._leaving = False

    def start(self, group: asyncio.TaskGroup) -> None:
        """Connect both, and keep them: tasks of the group."""
        for caution in cautions_of(self._broker):
            log.warning("open to others", what=caution)
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
            except (MqttError, WatchdError) as error:
                wait_s = backoff.wait_s()
                distrust = distrust_of(error, self._broker)
                if distrust is not None:
                    self._trust.lacks(distrust, wait_s)
                else:
                    link.down(str(error), wait_s)
                await asyncio.sleep(wait_s)

    def _client(self, protocol: ProtocolVersion, name: str | None, **more: Any) -> BrokerClient:
        """A client with the password and certificates as they are now: they may be renewed."""
        now = Secrets.of(self._broker)
        return client_of(self._broker, protocol, now.password, now.tls, identifier=name, **more)

    def _linked(self, link: Link, backoff: Backoff) -> None:
        self._trust.stands()
        backoff.linked()
        link.up()

    # --- what comes ---

    async def _receive_once(self, link: Link, backoff: Backoff) -> None:
        intake = self._intake = Intake(self._most, self._longest)
        # aiomqtt wants a class here and calls it once; this gives it the queue that we hold.
        queue = cast("type[asyncio.Queue[Any]]", lambda maxsize: intake)  # noqa: ARG005
        name = f"{self._name}t"
        try:
            async with self._client(ProtocolVersion.V311, name, queue_type=queue) as client:
                await self._subscribe(client, [(t, 0) for t in self._call.subscriptions()])
                log.info("receiving telemetry", host=self._broker.host, port=self._broker.port)
                self._linked(link, backoff)
                async for message in client.messages:
                    self._take_telemetry(arrived(message, intake.arrived_at))
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
            self._take_telemetry(arrived(waiting, intake.arrived_at))
        if dropped := intake.take_dropped():
            self._call.dropped(dropped)

    def _take_telemetry(self, message: Arrived) -> None:
        """What is ours comes over the other link, and must not come twice: a source such as
        `{pack}/state` asks the broker for `+/state`, which may be ours as well.
        """
        if not message.topic.startswith(f"{self._topics.prefix}/"):
            self._call.take(message)

    async def _listen(self, client: Client, intake: Intake) -> None:
        async for message in client.messages:
            self._take_own(arrived(message, intake.arrived_at))

    def _take_own(self, message: Arrived) -> None:
        if message.topic == self._topics.newest_annunciation:
            if message.retained:
                self._call.broker_shows(message.payload)
        elif not self._leaving:  # else the other links take it
            self._call.take(message)

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
        filters = [self._topics.newest_annunciation, *self._topics.own_retained()]
        if self._requests.enabled:
            plain = [] if self._requests.named_only else [self._topics.request]
            filters += [*plain, self._topics.request_of("+")]
        if protocol is ProtocolVersion.V5:
            options = SubscribeOptions(qos=1, noLocal=True)
            await self._subscribe(client, [(f, options) for f in filters])
        else:
            await self._subscribe(client, [(f, 1) for f in filters])

    # --- what goes out ---

    async def _publish_once(self, link: Link, backoff: Backoff) -> None:
        wants_5 = self._broker.protocol == "5"
        protocol = ProtocolVersion.V5 if wants_5 and not self._refuses_5 else ProtocolVersion.V311
        name = self._name_5 if protocol is ProtocolVersion.V5 else self._name
        will = Will(self._topics.service, lost_record(__version__), qos=1, retain=True)
        limits = _limits() if protocol is ProtocolVersion.V5 and self._knows_5 else None
        intake = Intake(self._most, self._longest)
        queue = cast("type[asyncio.Queue[Any]]", lambda maxsize: intake)  # noqa: ARG005
        try:
            async with self._client(
                protocol, name, will=will, queue_type=queue, properties=limits
            ) as client:
                self._name_5 = client.assigned_name or self._name_5
                if protocol is ProtocolVersion.V5 and not self._knows_5:
                    # Once more, with what only MQTT 5 has. One that does not know it may trip over
                    # that without a word.
                    self._knows_5 = True
                    return
                if self._refuses_5:
                    log.warning("the broker refuses MQTT 5; over 3.1.1 advice cannot expire there")
                    self._refuses_5 = False  # ask again at the next connection
                log.info(
                    "publishing",
                    prefix=self._topics.prefix,
                    mqtt="5" if protocol is ProtocolVersion.V5 else "3.1.1",
                )
                if not self._leaving:
                    self._outbox.put(self._call.retained())
                await self._subscribe_own(client, protocol)
                self._linked(link, backoff)
                # Before anything is sent: which annunciation the broker got last.
                await self._round_trip(client)
                while not intake.empty():
                    self._take_own(arrived(intake.get_nowait(), intake.arrived_at))
                async with asyncio.TaskGroup() as group:
                    group.create_task(self._send(client, protocol), name="send")
                    group.create_task(self._listen(client, intake), name="requests")
        except* MqttError as group_error:
            error = group_error.exceptions[0]
            while isinstance(error, BaseExceptionGroup):
                error = error.exceptions[0]
            self._refuses_5 = protocol is ProtocolVersion.V5 and refuses_protocol(error)
            self._knows_5 = self._knows_5 and link.stands
            if not self._refuses_5:  # else 3.1.1 is tried at once
                raise MqttError(str(error)) from error

    async def _round_trip(self, client: Client) -> None:
        """Wait until the broker has dealt with all that it was sent, and sent all before it.

        This ends nothing, and is answered all the same (MQTT 3.1.1, [MQTT-3.10.4-5]).
        """
        await client.unsubscribe(f"{self._topics.prefix}/nothing", timeout=self._patience_s)

    async def _send(self, client: BrokerClient, protocol: ProtocolVersion) -> None:
        unanswered_bytes = 0
        while True:
            batch = await self._outbox.first(MOST_UNANSWERED, MOST_UNANSWERED_BYTES)
            async with asyncio.TaskGroup() as group:
                for key, message in batch:  # they begin, and are written, in this order
                    group.create_task(self._send_one(client, protocol, key, message))
                    if message.topic == self._topics.annunciation:
                        # In the same breath: it says that the annunciation was sent, should the
                        # link or the process end before the answer comes.
                        group.create_task(self._send_copy(client, protocol, message))
            if any(message.qos for _, message in batch):
                unanswered_bytes = 0
                continue
            unanswered_bytes += sum(len(message.payload) for _, message in batch)
            if unanswered_bytes > MOST_UNANSWERED_BYTES:
                await self._round_trip(client)
                unanswered_bytes = 0

    async def _send_one(
        self, client: BrokerClient, protocol: ProtocolVersion, key: Key, message: Publish
    ) -> None:
        await self._publish(client, protocol, message)
        self._outbox.done(key, message)
        self._call.delivered(message)

    async def _send_copy(
        self, client: BrokerClient, protocol: ProtocolVersion, message: Publish
    ) -> None:
        copy = Publish(self._topics.newest_annunciation, message.payload, retain=True)
        await self._publish(client, protocol, copy)

    async def _publish(
        self, client: BrokerClient, protocol: ProtocolVersion, message: Publish
    ) -> None:
        try:
            await client.publish(
                message.topic,
                message.payload,
                qos=message.qos,
                retain=message.retain,
                properties=self._properties(message) if protocol is ProtocolVersion.V5 else None,
                timeout=self._patience_s,
            )
        except ValueError:
            # What MQTT cannot carry must not hold back what comes after it.
            log.exception("a message could not be published", topic=message.topic[:200])
        if client.refusal is not None:
            log.error(
                "the broker does not let watchd publish",
                topic=message.topic,
                reason=client.refusal,
            )
            client.refusal = None

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


def _limits() -> Properties:
    """What a broker is told not to exceed: no request is nearly as long."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # paho's
    properties.MaximumPacketSize = LONGEST_PACKET
    return properties


def lost_record(version: str) -> bytes:
    """What the broker publishes in our name when the connection breaks.

    The broker does not stamp it, and we cannot know when that will be: `since` is null.
    """
    return encode({"state": "lost", "since": None, "version": version})
