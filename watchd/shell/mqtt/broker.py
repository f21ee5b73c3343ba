"""The broker as a client meets it: one that lets go, and what its codes mean."""

from __future__ import annotations

import asyncio
import math
import ssl
import time
from socket import IPPROTO_TCP, TCP_NODELAY
from types import TracebackType
from typing import Any, Self

import structlog
from aiomqtt import Client, MqttCodeError, MqttError, ProtocolVersion
from paho.mqtt.client import MQTTMessage
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from watchd.config import Broker
from watchd.shell.mqtt.credentials import Secrets
from watchd.shell.mqtt.frames import BlockSocket
from watchd.shell.mqtt.intake import Intake, arrived

ANSWER_TIMEOUT_S = 10.0
REFUSED = 0x80  # from here on, a subscription's code says no
GOODBYE_TURNS = 3  # of the loop: to look at the socket, and to write
log = structlog.get_logger("watchd")


class BrokerClient(Client):
    """aiomqtt's client, which also lets go of a connection on which something went wrong, and keeps
    why the broker last refused a message.

    aiomqtt leaves it open where the broker did not answer in time, or sent what is no MQTT. A
    broker that comes back to itself would take it for a link like any other, and publish the will
    when the service stops; and what came over it would be read on, over and over. A broker that
    does not accept our certificate says so after the handshake (TLS 1.3), where paho only logs it
    and aiomqtt waits on.

    With an `intake`, messages go into it and not into aiomqtt's own queue, which takes a task for
    each.
    """

    assigned_name: str | None = None  # by the broker, to a client that gave none (MQTT 5)
    refusal: str | None = None

    def __init__(self, *arguments: Any, intake: Intake | None = None, **more: Any) -> None:
        super().__init__(*arguments, **more)
        self._client.on_log = self._on_log
        self._intake = intake

    def _on_log(self, _client: object, _data: object, _level: int, said: str) -> None:
        if said.startswith("failed to receive on socket: [SSL") and not self._connected.done():
            self._connected.set_exception(MqttError(said))

    def _on_connect(self, *words: Any) -> None:
        self.assigned_name = getattr(words[-1], "AssignedClientIdentifier", None)
        super()._on_connect(*words)

    def _on_message(self, client: Any, userdata: Any, message: MQTTMessage) -> None:
        if self._intake is None:
            super()._on_message(client, userdata, message)
        else:
            self._intake.add(arrived(message, time.monotonic()))

    def _on_publish(
        self, client: Any, userdata: Any, mid: int, reason_code: ReasonCode, properties: Any
    ) -> None:
        # With 3.1.1 a broker cannot say no to a message.
        if reason_code.is_failure:
            self.refusal = str(reason_code)
        super()._on_publish(client, userdata, mid, reason_code, properties)

    async def __aenter__(self) -> Self:
        broken = self._disconnected
        try:
            await super().__aenter__()
            if broken.done():  # aiomqtt forgets it, and takes the link for one that is there
                raise MqttError("the link broke as it was made")  # noqa: TRY301
        except MqttError:
            await self._let_go(broken)
            raise
        if self._intake is not None:
            self._disconnected.add_done_callback(self._wake)
        return self

    def _wake(self, _broken: asyncio.Future[None]) -> None:
        if self._intake is not None:
            self._intake.wake()

    async def some(self, intake: Intake) -> None:
        """Wait until its intake has a message. Raises MqttError where the link is lost."""
        while not len(intake):
            if self._disconnected.done():
                raise MqttError("the connection broke") from self._disconnected.exception()
            await intake.some()

    def read_blocks(self) -> None:
        """From now on, read much at once. For MQTT 3.1.1, and before anything is subscribed to."""
        socket = self._client.socket()
        if socket is None or self._intake is None:
            return
        blocks = BlockSocket(socket, self._intake)
        # paho has no public way to stand before its socket.
        self._client._sock = blocks  # noqa: SLF001
        self._loop.add_reader(socket.fileno(), self._read, blocks)

    def _read(self, blocks: BlockSocket) -> None:
        try:
            blocks.fill()
            while blocks.has_others and self._client.socket() is blocks:
                self._client.loop_read()
        except Exception as error:  # noqa: BLE001 - as aiomqtt does: whatever it is, the link is lost
            if not self._disconnected.done():
                self._disconnected.set_exception(error)

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        # Only a stop waits for the goodbye to be out; after an error it may never be.
        if isinstance(error, Exception):
            await self._let_go(self._disconnected)
        else:
            await super().__aexit__(kind, error, trace)

    async def _let_go(self, broken: asyncio.Future[None]) -> None:
        if broken.done() and not broken.cancelled():
            broken.exception()  # asyncio complains of one that nobody looked at
        if self._client.socket() is not None:
            self._client.disconnect()
            for _ in range(GOODBYE_TURNS):
                await asyncio.sleep(0)
        if self._client.socket() is not None:
            # The goodbye is stuck. paho has no public way to close without one.
            self._client._sock_close()  # noqa: SLF001


def client_of(
    broker: Broker,
    protocol: ProtocolVersion,
    password: str | None,
    tls: ssl.SSLContext | None,
    **more: Any,
) -> BrokerClient:
    """A client of the config's broker."""
    return BrokerClient(
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


def new_client(
    broker: Broker, protocol: ProtocolVersion, name: str | None, **more: Any
) -> BrokerClient:
    """A client with the password and certificates as they are now: they may be renewed.

    Raises WatchdError where they cannot be read.
    """
    now = Secrets.of(broker)
    return client_of(broker, protocol, now.password, now.tls, identifier=name, **more)


async def subscribe(
    client: Client, filters: list[tuple[str, int]] | list[tuple[str, SubscribeOptions]]
) -> None:
    """Subscribe, and say which the broker refuses."""
    granted = await client.subscribe(filters)
    refused = [
        f for (f, _), code in zip(filters, granted, strict=False) if code_of(code) >= REFUSED
    ]
    if refused:
        log.error("the broker does not let watchd read", topics=refused)


def code_of(code: object) -> int:
    """The number of a subscription's code; both versions of MQTT have the same."""
    return code.value if isinstance(code, ReasonCode) else int(str(code))


def refuses_protocol(error: BaseException) -> bool:
    """Whether the broker does not speak the version of MQTT that was asked for."""
    return isinstance(error, MqttCodeError) and "protocol" in str(error).lower()
