"""The two connections to the broker: one for telemetry, one for what goes out.

Telemetry comes over MQTT 3.1.1, whose messages cost a third of the CPU time of MQTT 5's on the
receiving side; what goes out wants MQTT 5 for its message expiry, and takes 3.1.1 where the
broker has no other. Both set TCP_NODELAY, without which a QoS 1 exchange waits for 40 ms timers.
"""

from __future__ import annotations

import asyncio
import math
import ssl
from collections.abc import Callable
from socket import IPPROTO_TCP, TCP_NODELAY
from typing import Any, Self, cast

import structlog
from aiomqtt import Client, MqttCodeError, MqttError, ProtocolVersion, Will
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from watchd.config import Broker, Config
from watchd.publish import Publish, Topics, encode
from watchd.shell.backoff import Backoff
from watchd.shell.clock import Clock
from watchd.shell.credentials import cautions_of, distrust_of, secret_of, tls_of
from watchd.shell.intake import Arrived, Intake, arrived
from watchd.shell.outbox import Outbox

# Messages handled before other tasks get their turn.
BATCH = 100
ANSWER_TIMEOUT_S = 10.0
LONGEST_PACKET = 262_144  # bytes that MQTT 5 lets us ask the broker to stay below
REFUSED = 0x80  # from here on, a subscription's code says no
log = structlog.get_logger("watchd")


class _Client(Client):
    """aiomqtt's client, which also lets go of a connection that the broker did not answer in time.

    aiomqtt leaves it open. A broker that comes back to itself would take it for a link like any
    other, and publish the will when the service stops. A broker that does not accept our
    certificate says so after the handshake (TLS 1.3), where paho only logs it and aiomqtt waits on.
    """

    def __init__(self, *arguments: Any, **more: Any) -> None:
        super().__init__(*arguments, **more)
        self._client.on_log = self._on_log

    def _on_log(self, _client: object, _data: object, _level: int, said: str) -> None:
        if said.startswith("failed to receive on socket: [SSL") and not self._connected.done():
            self._connected.set_exception(MqttError(said))

    async def __aenter__(self) -> Self:
        try:
            return await super().__aenter__()
        except MqttError:
            if self._client.socket() is not None:
                self._client.disconnect()
            raise


def client_of(
    broker: Broker,
    protocol: ProtocolVersion,
    password: str | None,
    tls: ssl.SSLContext | None,
    **more: Any,
) -> Client:
    """A client of the config's broker."""
    return _Client(
        broker.host,
        broker.port,
        username=broker.user,
        password=password,
        tls_context=tls,
        protocol=protocol,
        keepalive=math.ceil(broker.keepalive),
        timeout=ANSWER_TIMEOUT_S,
        socket_options=[(IPPROTO_TCP, TCP_NODELAY, 1)],
        **more,
    )


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
        self._requests = config.requests
        self._password, self._tls = secret_of(config.broker), tls_of(config.broker)
        self._refuses_5 = False
        self._distrust: str | None = None
        for caution in cautions_of(config.broker):
            log.warning("open to others", what=caution)

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
            except MqttError as error:
                was_linked, wait_s = backoff.was_linked, backoff.wait_s()
                distrust = distrust_of(error, self._broker)
                if distrust is not None:
                    self._distrusted(distrust, wait_s)
                    await asyncio.sleep(wait_s)
                    continue
                reason = str(error)
                # One line for each link that broke and each new reason, not one for each try.
                news = was_linked or reason != said
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

    def _distrusted(self, why: str, next_try_s: float) -> None:
        """One line for both links: they have the same broker."""
        if why != self._distrust:
            self._distrust = why
            log.error(
                "no trust between watchd and the broker",
                reason=why,
                host=self._broker.host,
                port=self._broker.port,
                next_try_s=round(next_try_s, 1),
            )

    def _linked(self, backoff: Backoff) -> None:
        self._distrust = None
        backoff.linked()

    def _client(self, protocol: ProtocolVersion, **more: Any) -> Client:
        return client_of(self._broker, protocol, self._password, self._tls, **more)

    async def _receive_once(self, backoff: Backoff) -> None:
        intake = Intake(self._most, self._longest)
        # aiomqtt wants a class here and calls it once; this gives it the queue that we hold.
        queue = cast("type[asyncio.Queue[Any]]", lambda maxsize: intake)  # noqa: ARG005
        async with self._client(ProtocolVersion.V311, queue_type=queue) as client:
            await self._subscribe(client, [(t, 0) for t in self._subscriptions()])
            log.info("receiving telemetry", host=self._broker.host, port=self._broker.port)
            self._linked(backoff)
            async for message in client.messages:
                self._take_telemetry(arrived(message, intake.arrived_at))
                await intake.read_on()
                for count in range(intake.qsize()):
                    if count % BATCH == BATCH - 1:
                        await asyncio.sleep(0)
                    if intake.empty():
                        break
                    waiting = intake.get_nowait()
                    self._take_telemetry(arrived(waiting, intake.arrived_at))
                if dropped := intake.take_dropped():
                    self._dropped(dropped)

    def _take_telemetry(self, message: Arrived) -> None:
        """What is ours comes over the other link, and must not come twice: a source such as
        `{pack}/state` asks the broker for `+/state`, which may be ours as well.
        """
        if not message.topic.startswith(f"{self._topics.prefix}/"):
            self._take(message)

    async def _publish_once(self, backoff: Backoff) -> None:
        wants_5 = self._broker.protocol == "5"
        protocol = ProtocolVersion.V5 if wants_5 and not self._refuses_5 else ProtocolVersion.V311
        will = Will(self._topics.service, self._lost_record, qos=1, retain=True)
        intake = Intake(self._most, self._longest)
        queue = cast("type[asyncio.Queue[Any]]", lambda maxsize: intake)  # noqa: ARG005
        try:
            limits = _limits() if protocol is ProtocolVersion.V5 else None
            async with self._client(
                protocol, will=will, queue_type=queue, properties=limits
            ) as client:
                if self._refuses_5:
                    log.warning("the broker refuses MQTT 5; over 3.1.1 advice cannot expire there")
                    self._refuses_5 = False  # ask again at the next connection
                log.info(
                    "publishing",
                    prefix=self._topics.prefix,
                    mqtt="5" if protocol is ProtocolVersion.V5 else "3.1.1",
                )
                self._outbox.put(self._retained())
                await self._subscribe_own(client, protocol)
                self._linked(backoff)
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
        filters = [*self._topics.own_retained()]
        if self._requests.enabled:
            plain = [] if self._requests.named_only else [self._topics.request]
            filters += [*plain, self._topics.request_of("+")]
        if protocol is ProtocolVersion.V5:
            options = SubscribeOptions(qos=1, noLocal=True)
            await self._subscribe(client, [(f, options) for f in filters])
        else:
            await self._subscribe(client, [(f, 1) for f in filters])

    async def _send(self, client: Client, protocol: ProtocolVersion) -> None:
        while True:
            key, message = await self._outbox.first()
            try:
                await client.publish(
                    message.topic,
                    message.payload,
                    qos=message.qos,
                    retain=message.retain,
                    properties=(
                        self._properties(message) if protocol is ProtocolVersion.V5 else None
                    ),
                )
            except ValueError:
                # What MQTT cannot carry must not hold back what comes after it.
                log.exception("a message could not be published", topic=message.topic[:200])
            self._outbox.done(key, message)
            task = asyncio.current_task()
            if task is not None and task.cancelling():
                # Until Python 3.12, wait_for (in publish) can swallow a cancellation.
                raise asyncio.CancelledError

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


def _limits() -> Properties:
    """What a broker is told not to exceed: no request is nearly as long."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # paho's
    properties.MaximumPacketSize = LONGEST_PACKET
    return properties


def _number(code: object) -> int:
    return code.value if isinstance(code, ReasonCode) else int(str(code))


def refuses_protocol(error: BaseException) -> bool:
    """Whether the broker does not speak the version of MQTT that was asked for."""
    return isinstance(error, MqttCodeError) and "protocol" in str(error).lower()


def lost_record(version: str) -> bytes:
    """What the broker publishes in our name when the connection breaks.

    The broker does not stamp it, and we cannot know when that will be: `since` is null.
    """
    return encode({"state": "lost", "since": None, "version": version})
