"""Asks a running watchd something over the broker, and waits for its answer."""

from __future__ import annotations

import asyncio
import json
import secrets
from typing import Any

from aiomqtt import Client, MqttError, ProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from watchd.config import Config
from watchd.errors import WatchdError
from watchd.publish import Topics, encode
from watchd.shell.client import client_of, refuses_protocol, secret_of, tls_of

PATIENCE_S = 5.0


async def ask(
    config: Config, request: dict[str, Any], password_file: str | None = None
) -> dict[str, Any]:
    """The answer to a request. Raises WatchdError where there is no link, or nobody answers.

    `password_file` takes the place of what the config says of a password.
    """
    broker = config.broker
    if password_file is not None:
        instead = {"password_file": password_file, "password_credential": None}
        broker = broker.model_copy(update=instead)
    password, tls = secret_of(broker), tls_of(broker)
    wants_5 = broker.protocol == "5"
    versions = [ProtocolVersion.V5, ProtocolVersion.V311] if wants_5 else [ProtocolVersion.V311]
    for version in versions:
        try:
            async with client_of(broker, version, password, tls) as client:
                return await _exchange(client, version, config.prefix, request)
        except MqttError as error:
            if version is ProtocolVersion.V5 and refuses_protocol(error):
                continue
            raise WatchdError(
                f"no link to the broker at {broker.host}:{broker.port}: {error}"
            ) from error
    raise WatchdError(f"the broker at {broker.host}:{broker.port} speaks no MQTT that watchd does")


async def _exchange(
    client: Client, version: ProtocolVersion, prefix: str, request: dict[str, Any]
) -> dict[str, Any]:
    topics = Topics(prefix)
    # A name that nobody else has: an answer is for who asked.
    reply_to = f"{prefix}/response/{secrets.token_hex(8)}"
    correlation = secrets.token_bytes(8)
    await client.subscribe([(reply_to, 1), (topics.service, 1)])
    properties = None
    if version is ProtocolVersion.V5:
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call] # paho's
        properties.ResponseTopic = reply_to
        properties.CorrelationData = correlation
    else:
        request = {**request, "reply_to": reply_to}
    await client.publish(topics.request, encode(request), qos=1, properties=properties)
    service = "nothing has been heard of it"
    try:
        async with asyncio.timeout(PATIENCE_S):
            async for message in client.messages:
                if str(message.topic) == topics.service:
                    service = _told_of(message.payload)
                    continue
                data = _object(message.payload)
                if data is not None:
                    return data
    except TimeoutError:
        pass
    raise WatchdError(
        f"watchd does not answer on {topics.request} within {PATIENCE_S:.0f} s; "
        f"{topics.service} says: {service}"
    )


def _object(payload: object) -> dict[str, Any] | None:
    try:
        data = json.loads(payload) if isinstance(payload, str | bytes | bytearray) else None
    except ValueError:
        return None
    return data if isinstance(data, dict) else None


def _told_of(payload: object) -> str:
    data = _object(payload) or {}
    since = data.get("since")
    return f"{data.get('state', 'nothing')}" + (f" since {since}" if since else "")
