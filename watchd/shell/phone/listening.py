"""The link to the broker. What it is told with QoS 1 is acknowledged when it is on the disk.

The session outlives the link and the process: one client name for each prefix, and the broker keeps
what comes meanwhile. MQTT 3.1.1, since every broker has it, and for how long a session is kept is
the broker's to say there (mosquitto: for ever, unless `persistent_client_expiration` says less).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from hashlib import blake2b
from typing import Any

import structlog
from aiomqtt import Message, MqttError, ProtocolVersion

from watchd.config import Broker
from watchd.errors import WatchdError
from watchd.publish import Publish
from watchd.shell.mqtt.backoff import Backoff
from watchd.shell.mqtt.broker import BrokerClient, subscribe
from watchd.shell.mqtt.credentials import Secrets, cautions_of, distrust_of
from watchd.shell.mqtt.link import Link, Trust

MOST_WAITING = 10_000
log = structlog.get_logger("watchd")


class KeepingClient(BrokerClient):
    """Acknowledges a message only when told to: paho would as soon as it has it."""

    def __init__(self, *arguments: Any, **more: Any) -> None:
        super().__init__(*arguments, **more)
        self._client.manual_ack_set(True)

    def acknowledge(self, message: Message) -> None:
        """The broker may forget it now. In the order in which they came (MQTT 3.1.1, 4.6)."""
        self._client.ack(message.mid, message.qos)


class Listening:
    """Keeps the link, for as long as the process runs.

    `take` gets each message, and raises where it could not be kept; then the link is given up, and
    the broker says it again over the next. `linked` is called with whether there is a link.
    """

    def __init__(
        self,
        broker: Broker,
        name: str,
        filters: Callable[[], Sequence[tuple[str, int]]],
        take: Callable[[Message], None],
        linked: Callable[[bool], None],
    ) -> None:
        self._broker, self._name, self._filters = broker, name, filters
        self._take, self._linked = take, linked
        self._link = Link("phone", broker.host, broker.port)
        self._trust = Trust(broker.host, broker.port)
        self._client: KeepingClient | None = None

    async def run(self) -> None:
        """Connect, and connect again."""
        for caution in cautions_of(self._broker):
            log.warning("open to others", what=caution)
        backoff = Backoff()
        while True:
            try:
                await self._once(backoff)
            except (MqttError, WatchdError, OSError) as error:
                wait_s = backoff.wait_s()
                distrust = distrust_of(error, self._broker)
                if distrust is not None:
                    self._trust.lacks(distrust, wait_s)
                else:
                    self._link.down(str(error), wait_s)
                await asyncio.sleep(wait_s)

    async def publish(self, message: Publish) -> None:
        """Raises MqttError where there is no link."""
        if self._client is None:
            raise MqttError("no link to the broker")
        await self._client.publish(
            message.topic, message.payload, qos=message.qos, retain=message.retain
        )

    async def _once(self, backoff: Backoff) -> None:
        now = Secrets.of(self._broker)
        client = client_for(self._broker, now, self._name)
        async with client:
            try:
                await subscribe(client, list(self._filters()))
                # Not before: the old session has these subscriptions already, and the mark would
                # be back before what is retained has come.
                self._client = client
                self._trust.stands()
                backoff.linked()
                self._link.up()
                log.info("listening", host=self._broker.host, port=self._broker.port)
                self._linked(True)
                async for message in client.messages:
                    self._take(message)
                    client.acknowledge(message)
            finally:
                self._client = None
                self._linked(False)


def client_for(broker: Broker, secrets: Secrets, name: str) -> KeepingClient:
    """A client whose session stays at the broker."""
    return KeepingClient(
        broker.host,
        broker.port,
        username=broker.user,
        password=secrets.password,
        tls_context=secrets.tls,
        protocol=ProtocolVersion.V311,
        keepalive=round(broker.keepalive),
        timeout=10.0,
        identifier=name,
        clean_session=False,
        max_queued_incoming_messages=MOST_WAITING,
    )


def client_name(prefix: str, asker: str) -> str:
    """The same at each start: 23 letters and digits are taken everywhere (MQTT 3.1.1, 3.1.3.1)."""
    return "phone" + blake2b(f"{prefix}\n{asker}".encode(), digest_size=9).hexdigest()
