"""The broker as a client meets it: secrets, TLS, and a client that lets go."""

from __future__ import annotations

import hashlib
import math
import os
import ssl
from dataclasses import dataclass, field
from pathlib import Path
from socket import IPPROTO_TCP, TCP_NODELAY
from typing import Any, Self

from aiomqtt import Client, MqttCodeError, MqttError, ProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from watchd.config import Broker
from watchd.errors import Place, Problem, WatchdError

ANSWER_TIMEOUT_S = 10.0
REFUSED = 0x80  # from here on, a subscription's code says no


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


@dataclass(frozen=True, slots=True)
class Secrets:
    """What the config's broker wants, as it was in its files when they were read."""

    password: str | None = field(repr=False)
    tls: ssl.SSLContext | None = field(compare=False)
    tls_digest: str

    @classmethod
    def of(cls, broker: Broker) -> Secrets:
        """Read them. Raises WatchdError."""
        digest = hashlib.sha256()
        tls = tls_of(broker)
        if broker.tls is not None:
            for name in (broker.tls.ca_file, broker.tls.cert_file, broker.tls.key_file):
                digest.update(Path(name).read_bytes() if name is not None else b"-")
        return cls(secret_of(broker), tls, digest.hexdigest())


class BrokerClient(Client):
    """aiomqtt's client, which also lets go of a connection that the broker did not answer in time,
    and keeps why the broker last refused a message.

    aiomqtt leaves it open. A broker that comes back to itself would take it for a link like any
    other, and publish the will when the service stops.
    """

    refusal: str | None = None

    def _on_publish(
        self, client: Any, userdata: Any, mid: int, reason_code: ReasonCode, properties: Any
    ) -> None:
        # With 3.1.1 a broker cannot say no to a message.
        if reason_code.is_failure:
            self.refusal = str(reason_code)
        super()._on_publish(client, userdata, mid, reason_code, properties)

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


def code_of(code: object) -> int:
    """The number of a subscription's code; both versions of MQTT have the same."""
    return code.value if isinstance(code, ReasonCode) else int(str(code))


def refuses_protocol(error: BaseException) -> bool:
    """Whether the broker does not speak the version of MQTT that was asked for."""
    return isinstance(error, MqttCodeError) and "protocol" in str(error).lower()
