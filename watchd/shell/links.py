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
from typing import Any, cast

import structlog
from aiomqtt import Client, MqttError, ProtocolVersion, Will
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from watchd.config import Config
from watchd.errors import WatchdError
from watchd.publish import Publish, Topics, encode
from watchd.shell.backoff import Backoff
from watchd.shell.client import (
    ANSWER_TIMEOUT_S,
    BrokerClient,
    client_of,
    refuses_protocol,
    secret_of,
    tls_of,
)
from watchd.shell.clock import Clock
from watchd.shell.intake import Arrived, Intake, arrived
from watchd.shell.outbox import Outbox

# Messages handled before other tasks get their turn.
BATCH = 100
# On a slow link all that is unanswered delays what comes after it, however urgent. So no more than
# this is on its way (a few figures), and yet it need not wait for the answer to each message.
MOST_UNANSWERED_BYTES = 4096
MOST_UNANSWERED = 8
REFUSED = 0x80  # from here on, a subscription's code says no
log = structlog.get_logger("watchd")


class Links:
    """Keeps both connections for as long as it runs. Callbacks get what came, at system times."""

    def __init__(
        self,
        config: Config,
        clock: Clock,
        outbox: Outbox,
        take: Callable[[Arrived], None],
        dropped: Callable[[int], None],
        retained: Callable[[], list[Publish]],
        subscriptions: Callable[[], list[str]],
        lost_record: bytes,
    ) -> None:
        self._broker, self._clock, self._outbox = config.broker, clock, outbox
        self._topics = Topics(config.prefix)
        self._longest = config.telemetry.max_payload_bytes
        self._most = config.telemetry.max_waiting
        self._take, self._dropped = take, dropped
        self._retained, self._subscriptions = retained, subscriptions
        self._lost_record = lost_record
        # Read anew for each link; what cannot be read now ends the start with its problem.
        secret_of(config.broker)
        tls_of(config.broker)
        self._refuses_5 = False
        # The same for as long as it runs: a new link ends an old one that is half open, at once,
        # so that its will is not published after the new one said that the service runs.
        # MQTT 3.1.1 section 3.1.3.1: 23 letters and digits are taken everywhere.
        self._name = f"watchd{secrets.token_hex(8)}"
        # Over MQTT 5 the broker's choice: one that does not know MQTT 5 may trip over a name.
        self._name_5: str | None = None
        self._patience_s = max(ANSWER_TIMEOUT_S, config.broker.keepalive)

    async def telemetry(self) -> None:
        """Receive telemetry, for ever."""
        await self._keep("telemetry", self._receive_once)

    async def out(self) -> None:
        """Publish, and receive requests, for ever."""
        await self._keep("out", self._publish_once)

    async def _keep(self, name: str, once: Callable[[Backoff], Any]) -> None:
        backoff = Backoff()
        said: str | None = None
        while True:
            try:
                await once(backoff)
            except (MqttError, WatchdError) as error:
                reason = str(error)
                # One line for each link that broke and each new reason, not one for each try.
                news = backoff.was_linked or reason != said
                wait_s = backoff.wait_s()
                if news:
                    said = reason
                    log.warning(
                        "no link to the broker",
                        link=name,
                        reason=reason,
                        host=self._broker.host,
                        port=self._broker.port,
                        next_try_s=round(wait_s, 1),
                    )
                await asyncio.sleep(wait_s)

    def _client(self, protocol: ProtocolVersion, name: str | None, **more: Any) -> BrokerClient:
        """A client with the password and certificates as they are now: they may be renewed."""
        password, tls = secret_of(self._broker), tls_of(self._broker)
        return client_of(self._broker, protocol, password, tls, identifier=name, **more)

    async def _receive_once(self, backoff: Backoff) -> None:
        intake = Intake(self._most, self._longest)
        # aiomqtt wants a class here and calls it once; this gives it the queue that we hold.
        queue = cast("type[asyncio.Queue[Any]]", lambda maxsize: intake)  # noqa: ARG005
        async with self._client(ProtocolVersion.V311, f"{self._name}t", queue_type=queue) as client:
            await self._subscribe(client, [(t, 0) for t in self._subscriptions()])
            log.info("receiving telemetry", host=self._broker.host, port=self._broker.port)
            backoff.linked()
            async for message in client.messages:
                self._take(arrived(message, intake.arrived_at))
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

    async def _publish_once(self, backoff: Backoff) -> None:
        wants_5 = self._broker.protocol == "5"
        protocol = ProtocolVersion.V5 if wants_5 and not self._refuses_5 else ProtocolVersion.V311
        name = self._name_5 if protocol is ProtocolVersion.V5 else self._name
        will = Will(self._topics.service, self._lost_record, qos=1, retain=True)
        intake = Intake(self._most, self._longest)
        queue = cast("type[asyncio.Queue[Any]]", lambda maxsize: intake)  # noqa: ARG005
        try:
            async with self._client(protocol, name, will=will, queue_type=queue) as client:
                if self._refuses_5:
                    log.warning("the broker refuses MQTT 5; over 3.1.1 advice cannot expire there")
                    self._refuses_5 = False  # ask again at the next connection
                log.info(
                    "publishing",
                    prefix=self._topics.prefix,
                    mqtt="5" if protocol is ProtocolVersion.V5 else "3.1.1",
                )
                self._name_5 = client.assigned_name or self._name_5
                self._outbox.put(self._retained())
                await self._subscribe_own(client, protocol)
                backoff.linked()
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
            f for (f, _), code in zip(filters, granted, strict=False) if _number(code) >= REFUSED
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

    async def _send(self, client: Client, protocol: ProtocolVersion) -> None:
        unanswered_bytes = 0
        while True:
            batch = await self._outbox.first(MOST_UNANSWERED, MOST_UNANSWERED_BYTES)
            async with asyncio.TaskGroup() as group:
                for key, message in batch:  # they begin, and are written, in this order
                    group.create_task(self._send_one(client, protocol, key, message))
            if any(message.qos for _, message in batch):
                unanswered_bytes = 0
                continue
            unanswered_bytes += sum(len(message.payload) for _, message in batch)
            if unanswered_bytes > MOST_UNANSWERED_BYTES:
                # Ends nothing, and is answered all the same (MQTT 3.1.1, [MQTT-3.10.4-5]).
                await client.unsubscribe(f"{self._topics.prefix}/nothing", timeout=self._patience_s)
                unanswered_bytes = 0

    async def _send_one(
        self, client: Client, protocol: ProtocolVersion, key: str | int, message: Publish
    ) -> None:
        await client.publish(
            message.topic,
            message.payload,
            qos=message.qos,
            retain=message.retain,
            properties=self._properties(message) if protocol is ProtocolVersion.V5 else None,
            timeout=self._patience_s,
        )
        self._outbox.done(key, message)

    async def _listen(self, client: Client, intake: Intake) -> None:
        async for message in client.messages:
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


def _number(code: object) -> int:
    return code.value if isinstance(code, ReasonCode) else int(str(code))


def lost_record(version: str) -> bytes:
    """What the broker publishes in our name when the connection breaks.

    The broker does not stamp it, and we cannot know when that will be: `since` is null.
    """
    return encode({"state": "lost", "since": None, "version": version})
