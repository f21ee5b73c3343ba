"""The link for what goes out, and for requests.

It wants MQTT 5 for its message expiry, and takes 3.1.1 where the broker has no other.
"""

from __future__ import annotations

import asyncio
import math

import structlog
from aiomqtt import Client, MqttError, ProtocolVersion, Will
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from watchd import __version__
from watchd.config import Config
from watchd.publish import Publish, Topics, encode
from watchd.shell.clock import Clock
from watchd.shell.mqtt.broker import (
    ANSWER_TIMEOUT_S,
    BrokerClient,
    new_client,
    refuses_protocol,
    subscribe,
)
from watchd.shell.mqtt.handlers import Handlers, Linked
from watchd.shell.mqtt.intake import BATCH, Arrived, Intake
from watchd.shell.mqtt.outbox import Key, Outbox

# On a slow link all that is unanswered delays what comes after it, however urgent. So no more than
# this is on its way (a few figures), and yet it need not wait for the answer to each message.
MOST_UNANSWERED_BYTES = 4096
MOST_UNANSWERED = 8
LONGEST_PACKET = 262_144  # bytes that MQTT 5 lets us ask the broker to stay below
log = structlog.get_logger("watchd")


class Publishing:
    """Publishes what the outbox has, for as long as the link stands."""

    def __init__(
        self,
        config: Config,
        name: str,
        clock: Clock,
        outbox: Outbox,
        handlers: Handlers,
        linked: Linked,
    ) -> None:
        self._broker, self._clock, self._outbox = config.broker, clock, outbox
        self._topics, self._requests = Topics(config.prefix), config.requests
        self._longest = config.telemetry.max_payload_bytes
        self._most = config.telemetry.max_waiting
        self._call, self._linked = handlers, linked
        self._refuses_5 = self._knows_5 = False
        self._name = name
        # Over MQTT 5 the broker's choice: one that does not know MQTT 5 may trip over a name.
        self._name_5: str | None = None
        self._patience_s = max(ANSWER_TIMEOUT_S, config.broker.keepalive)
        self.leaving = False  # other links take what comes, and say what stands

    async def once(self) -> None:
        """Connect, and publish until the link breaks."""
        wants_5 = self._broker.protocol == "5"
        protocol = ProtocolVersion.V5 if wants_5 and not self._refuses_5 else ProtocolVersion.V311
        name = self._name_5 if protocol is ProtocolVersion.V5 else self._name
        will = Will(self._topics.service, lost_record(__version__), qos=1, retain=True)
        limits = _limits() if protocol is ProtocolVersion.V5 and self._knows_5 else None
        intake = Intake(self._most, self._longest)
        stands = False
        try:
            async with new_client(
                self._broker, protocol, name, will=will, intake=intake, properties=limits
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
                if not self.leaving:
                    self._outbox.put(self._call.retained())
                await self._subscribe_own(client, protocol)
                self._linked()
                stands = True
                # Before anything is sent: which annunciation the broker got last.
                await self._round_trip(client)
                self._take_own(intake.take(len(intake)))
                log.info(
                    "publishing",
                    prefix=self._topics.prefix,
                    mqtt="5" if protocol is ProtocolVersion.V5 else "3.1.1",
                )
                async with asyncio.TaskGroup() as group:
                    group.create_task(self._send(client, protocol), name="send")
                    group.create_task(self._listen(client, intake), name="requests")
        except* MqttError as group_error:
            error = group_error.exceptions[0]
            while isinstance(error, BaseExceptionGroup):
                error = error.exceptions[0]
            self._refuses_5 = protocol is ProtocolVersion.V5 and refuses_protocol(error)
            self._knows_5 = self._knows_5 and stands
            if not self._refuses_5:  # else 3.1.1 is tried at once
                raise MqttError(str(error)) from error

    async def _listen(self, client: BrokerClient, intake: Intake) -> None:
        while True:
            await client.some(intake)
            self._take_own(intake.take(BATCH))
            if len(intake):
                await asyncio.sleep(0)

    def _take_own(self, messages: list[Arrived]) -> None:
        for message in messages:
            if message.topic == self._topics.newest_annunciation:
                if message.retained:
                    self._call.broker_shows(message.payload)
            elif not self.leaving:  # else the other links take it
                self._call.take([message])

    async def _subscribe_own(self, client: Client, protocol: ProtocolVersion) -> None:
        filters = [self._topics.newest_annunciation, *self._topics.own_retained()]
        if self._requests.enabled:
            plain = [] if self._requests.named_only else [self._topics.request]
            filters += [*plain, self._topics.request_of("+")]
        if protocol is ProtocolVersion.V5:
            options = SubscribeOptions(qos=1, noLocal=True)
            await subscribe(client, [(f, options) for f in filters])
        else:
            await subscribe(client, [(f, 1) for f in filters])

    # --- what goes out ---

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
