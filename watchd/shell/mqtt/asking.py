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
from watchd.shell.mqtt.broker import client_of, refuses_protocol
from watchd.shell.mqtt.credentials import distrust_of, secret_of, tls_of
from watchd.telemetry.topics import topic_fault

PATIENCE_S = 5.0
MOST_WAITS = 100  # for one request, while watchd says that it came too soon


async def ask(
    config: Config,
    request: dict[str, Any],
    password_file: str | None = None,
    user: str | None = None,
) -> dict[str, Any]:
    """The answer to a request. Raises WatchdError where there is no link, or nobody answers.

    `user` and `password_file` take the place of what the config says of them. Who has a user asks
    on the topic of that name, so that the journal knows who it was.
    """
    if not config.requests.enabled:
        raise WatchdError("watchd takes no requests: the config has requests: enabled: no")
    broker = config.broker
    if user is not None:
        broker = broker.model_copy(update={"user": user})
    if password_file is not None:
        instead = {"password_file": password_file, "password_credential": None}
        broker = broker.model_copy(update=instead)
    password, tls = secret_of(broker), tls_of(broker)
    topic = _topic_for(config, broker.user)
    wants_5 = broker.protocol == "5"
    versions = [ProtocolVersion.V5, ProtocolVersion.V311] if wants_5 else [ProtocolVersion.V311]
    for version in versions:
        try:
            async with client_of(broker, version, password, tls) as client:
                return await _asked(client, version, topic, config.prefix, request)
        except MqttError as error:
            if version is ProtocolVersion.V5 and refuses_protocol(error):
                continue
            why = distrust_of(error, broker) or str(error)
            raise WatchdError(
                f"no link to the broker at {broker.host}:{broker.port}: {why}"
            ) from error
    raise WatchdError(f"the broker at {broker.host}:{broker.port} speaks no MQTT that watchd does")


async def _asked(
    client: Client, version: ProtocolVersion, topic: str, prefix: str, request: dict[str, Any]
) -> dict[str, Any]:
    """The answer; where watchd says that it is asked too fast, it is asked again in time."""
    for _ in range(MOST_WAITS):
        answer = await _exchange(client, version, prefix, topic, request)
        again_in_s = answer.get("again_in_s")
        if not isinstance(again_in_s, int | float):
            return answer
        await asyncio.sleep(min(max(0.1, again_in_s), PATIENCE_S))
    raise WatchdError("watchd is asked too much by this name; try again in a minute")


def _topic_for(config: Config, user: str | None) -> str:
    """Where to ask. Raises WatchdError where only names may, and there is none."""
    topics = Topics(config.prefix)
    if user is None:
        if config.requests.named_only:
            raise WatchdError(
                "the config has requests: named_only: yes, so say who asks: --user NAME (with "
                "--password-file), or broker: user"
            )
        return topics.request
    if topic_fault(user) is not None or any(c in user for c in "+#/"):
        # Such a name can be no level of a topic.
        return topics.request
    return topics.request_of(user)


async def _exchange(
    client: Client, version: ProtocolVersion, prefix: str, topic: str, request: dict[str, Any]
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
    await client.publish(topic, encode(request), qos=1, properties=properties)
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
    may = "" if topic == topics.request else "; may this user write there?"
    raise WatchdError(
        f"watchd does not answer on {topic} within {PATIENCE_S:.0f} s{may}; "
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
