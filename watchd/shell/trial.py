"""`watchd run --once`: both links tried, and telemetry heard for a while. It keeps nothing.

Its clients have names that the broker gives, so that a daemon beside it is not put out.
"""

from __future__ import annotations

import asyncio
import secrets as chance
import time
from contextlib import suppress
from dataclasses import dataclass, field

from aiomqtt import MqttError, ProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from watchd.config import Config
from watchd.publish import Topics
from watchd.shell.clock import SystemTime
from watchd.shell.mqtt.broker import (
    REFUSED,
    BrokerClient,
    client_of,
    code_of,
    refuses_protocol,
)
from watchd.shell.mqtt.credentials import Secrets
from watchd.trial.heard import Hearing

PROBE_WITHIN_S = 5.0
LOOK_S = 0.1
# A pack that has not been heard so soon may be on another topic: then all topics are looked at.
LOOK_AROUND_AFTER_S = 5.0
MOST_AROUND = 5000


@dataclass(slots=True)
class Tried:
    """What came of it."""

    hearing: Hearing
    received: bool = False  # telemetry was subscribed
    waited_s: float = 0.0
    mqtt: str | None = None  # of the link that publishes
    around: set[str] = field(default_factory=set)
    missing: list[str] = field(default_factory=list)


async def try_out(config: Config, secrets: Secrets, patience_s: float) -> Tried:
    """Try it. What fails is in `missing`; nothing is raised for what a broker does."""
    system = SystemTime()
    tried = Tried(Hearing(config, system.now()))
    broker = config.broker
    try:
        tried.mqtt = await _try_out_link(config, secrets, tried.missing)
        async with client_of(broker, ProtocolVersion.V311, secrets.password, secrets.tls) as client:
            filters = tried.hearing.subscriptions()
            granted = await client.subscribe([(f, 0) for f in filters])
            _note_refused(filters, granted, tried.missing)
            tried.received = True
            await _hear(client, tried, system, (config, secrets), patience_s)
    except MqttError as error:
        tried.missing.append(
            f"no link to the broker at {broker.host}:{broker.port}: {error}; see host, port, user "
            "and tls under broker"
        )
    return tried


async def _try_out_link(config: Config, secrets: Secrets, missing: list[str]) -> str:
    """Connect as the daemon does to publish, and see whether it may; the version of MQTT."""
    wants_5 = config.broker.protocol == "5"
    version = ProtocolVersion.V5 if wants_5 else ProtocolVersion.V311
    try:
        await _may_publish(config, secrets, version, missing)
    except MqttError as error:
        if not (wants_5 and refuses_protocol(error)):
            raise
        version = ProtocolVersion.V311
        await _may_publish(config, secrets, version, missing)
    return "5" if version is ProtocolVersion.V5 else "3.1.1"


async def _may_publish(
    config: Config, secrets: Secrets, version: ProtocolVersion, missing: list[str]
) -> None:
    topics = Topics(config.prefix)
    probe = f"{config.prefix}/response/probe-{chance.token_hex(8)}"
    async with client_of(config.broker, version, secrets.password, secrets.tls) as client:
        filters = [topics.request, *topics.own_retained(), probe]
        granted = await client.subscribe([(f, 1) for f in filters])
        _note_refused(filters, granted, missing)
        properties = None
        if version is ProtocolVersion.V5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call] # paho's
            properties.MessageExpiryInterval = 10
        try:
            await client.publish(probe, b"probe", qos=1, properties=properties)
            came_back = client.refusal is None and await _comes(client, probe)
            why = client.refusal or "a probe did not come back"
        except MqttError:
            # With 3.1.1, which has no other way to say no, a broker may hang up.
            came_back, why = False, "it hung up at a probe"
        if not came_back:
            missing.append(
                f"the broker does not let watchd publish below {config.prefix}/: {why}; see its "
                "access list, for publishing and for reading"
            )


async def _comes(client: BrokerClient, topic: str) -> bool:
    with suppress(TimeoutError):
        async with asyncio.timeout(PROBE_WITHIN_S):
            async for message in client.messages:
                if str(message.topic) == topic:
                    return True
    return False


def _note_refused(filters: list[str], granted: object, missing: list[str]) -> None:
    codes = granted if isinstance(granted, tuple | list) else ()
    missing.extend(
        f"the broker does not let watchd read {topic}; see its access list"
        for topic, code in zip(filters, codes, strict=False)
        if code_of(code) >= REFUSED
    )


async def _hear(
    client: BrokerClient,
    tried: Tried,
    system: SystemTime,
    access: tuple[Config, Secrets],
    patience_s: float,
) -> None:
    begun = time.monotonic()
    receiving = asyncio.create_task(_receive(client, tried.hearing, system), name="receive")
    looking: asyncio.Task[None] | None = None
    try:
        while not receiving.done():
            tried.waited_s = time.monotonic() - begun
            if tried.waited_s >= patience_s or tried.hearing.is_done(system.now()):
                return
            late = tried.waited_s >= min(LOOK_AROUND_AFTER_S, patience_s / 2)
            if looking is None and late and tried.hearing.unheard():
                looking = asyncio.create_task(_look_around(*access, tried.around), name="look")
            await asyncio.sleep(LOOK_S)
        await receiving  # raises why the link was lost
    finally:
        for task in (receiving, looking):
            if task is not None:
                task.cancel()
                await asyncio.wait([task])


async def _receive(client: BrokerClient, hearing: Hearing, system: SystemTime) -> None:
    async for message in client.messages:
        topic, payload = str(message.topic), bytes(message.payload)
        hearing.take(topic, payload, system.now(), retained=bool(message.retain))


async def _look_around(config: Config, secrets: Secrets, around: set[str]) -> None:
    """Collect the topics that there are, as far as this user may read them."""
    with suppress(MqttError):
        async with client_of(
            config.broker, ProtocolVersion.V311, secrets.password, secrets.tls
        ) as client:
            await client.subscribe("#")
            async for message in client.messages:
                topic = str(message.topic)
                if len(around) < MOST_AROUND and not topic.startswith(f"{config.prefix}/"):
                    around.add(topic)
