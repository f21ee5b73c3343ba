"""A client of the broker that the config names, with its password and certificates."""

from __future__ import annotations

import asyncio
import math
import os
import ssl
from pathlib import Path
from socket import IPPROTO_TCP, TCP_NODELAY
from types import TracebackType
from typing import Any, Self

from aiomqtt import Client, MqttCodeError, MqttError, ProtocolVersion

from watchd.config import Broker
from watchd.errors import Place, Problem, WatchdError

ANSWER_TIMEOUT_S = 10.0
GOODBYE_TURNS = 3  # of the loop: to look at the socket, and to write


def secret_of(broker: Broker) -> str | None:
    """The password, from the file or service credential that the config names."""
    if broker.password_credential is not None:
        folder = os.environ.get("CREDENTIALS_DIRECTORY")
        if folder is None:
            raise WatchdError(
                "broker: password_credential is given, but the service manager has passed no "
                "credentials (CREDENTIALS_DIRECTORY is not set)"
            )
        path = Path(folder) / broker.password_credential
    elif broker.password_file is not None:
        path = Path(broker.password_file)
    else:
        return None
    try:
        return path.read_text("utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not text"
        raise WatchdError(
            Problem(f"the broker's password cannot be read: {reason}", Place(str(path)))
        ) from error


def tls_of(broker: Broker) -> ssl.SSLContext | None:
    """The TLS context, with verification always on."""
    if broker.tls is None:
        return None
    try:
        context = ssl.create_default_context(cafile=broker.tls.ca_file)
        if broker.tls.cert_file is not None:
            context.load_cert_chain(broker.tls.cert_file, broker.tls.key_file)
    except (OSError, ssl.SSLError) as error:
        raise WatchdError(f"broker: tls: certificates cannot be loaded: {error}") from error
    return context


class BrokerClient(Client):
    """aiomqtt's client, which also lets go of a connection on which something went wrong.

    aiomqtt leaves it open where the broker did not answer in time, and waits for a goodbye that
    does not get out. A broker that comes back to itself would take it for a link like any other,
    and publish the will when the service stops.
    """

    assigned_name: str | None = None  # by the broker, to a client that gave none (MQTT 5)

    def _on_connect(self, *words: Any) -> None:
        self.assigned_name = getattr(words[-1], "AssignedClientIdentifier", None)
        super()._on_connect(*words)

    async def __aenter__(self) -> Self:
        broken = self._disconnected
        try:
            await super().__aenter__()
            if broken.done():  # aiomqtt forgets it, and takes the link for one that is there
                raise MqttError("the link broke as it was made")  # noqa: TRY301
        except MqttError:
            await self._let_go(broken)
            raise
        return self

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


def refuses_protocol(error: BaseException) -> bool:
    """Whether the broker does not speak the version of MQTT that was asked for."""
    return isinstance(error, MqttCodeError) and "protocol" in str(error).lower()
