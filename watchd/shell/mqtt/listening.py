"""Listens to a broker for a while, and publishes nothing; the broker names its client."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence

from aiomqtt import MqttError, ProtocolVersion

from watchd.config import Broker
from watchd.errors import WatchdError
from watchd.shell.mqtt.broker import REFUSED, BrokerClient, client_of, code_of
from watchd.shell.mqtt.credentials import Secrets, distrust_of

LOOK_S = 0.1
# Topic, payload, and whether it was retained.
Take = Callable[[str, bytes, bool], None]


async def listen(
    broker: Broker,
    filters: Sequence[str],
    lasting_s: float,
    take: Take,
    elapsed: Callable[[float], None],
) -> None:
    """Hand each message to `take` for `lasting_s`, and tell `elapsed` how long it has been.

    Raises WatchdError where there is no link, it is lost, or the broker lets nothing be read.
    """
    secrets = Secrets.of(broker)
    try:
        async with client_of(broker, ProtocolVersion.V311, secrets.password, secrets.tls) as client:
            await _subscribe(client, filters)
            await _hear(client, lasting_s, take, elapsed)
    except MqttError as error:
        why = distrust_of(error, broker) or str(error)
        raise WatchdError(f"no link to the broker at {broker.host}:{broker.port}: {why}") from error


async def _subscribe(client: BrokerClient, filters: Sequence[str]) -> None:
    try:
        granted = await client.subscribe([(f, 0) for f in filters])
    except ValueError as error:
        what = (
            f"{', '.join(filters)}: no filter of topics; # stands for all levels, at the end only"
        )
        raise WatchdError(what) from error
    refused = [f for f, c in zip(filters, granted, strict=False) if code_of(c) >= REFUSED]
    if refused:
        raise WatchdError(
            f"the broker does not let this user read {', '.join(refused)}; see its access list, or "
            "name what may be read with --topics"
        )


async def _hear(
    client: BrokerClient, lasting_s: float, take: Take, elapsed: Callable[[float], None]
) -> None:
    begun = time.monotonic()
    receiving = asyncio.create_task(_receive(client, take), name="receive")
    try:
        while (gone := time.monotonic() - begun) < lasting_s and not receiving.done():
            elapsed(gone)
            await asyncio.sleep(min(LOOK_S, lasting_s - gone))
        if receiving.done():
            await receiving  # raises why the link was lost
    finally:
        receiving.cancel()
        await asyncio.wait([receiving])


async def _receive(client: BrokerClient, take: Take) -> None:
    async for message in client.messages:
        take(str(message.topic), bytes(message.payload), bool(message.retain))
