"""A client lets go of a link that is stuck, or that breaks as it is made."""

from __future__ import annotations

import asyncio
from asyncio import StreamReader, StreamWriter
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest
from aiomqtt import MqttError, ProtocolVersion

from watchd.config.broker import Broker
from watchd.shell.mqtt.broker import ANSWER_TIMEOUT_S, BrokerClient, client_of

CONNACK = b"\x20\x02\x00\x00"
# More than all buffers on the way hold.
STUCK = bytes(50_000_000)


@asynccontextmanager
async def client_at(
    answer: bytes, then: Callable[[StreamWriter], None]
) -> AsyncIterator[BrokerClient]:
    """A client of a broker that answers CONNECT with this, and reads no more."""
    end = asyncio.Event()

    async def serve(reader: StreamReader, writer: StreamWriter) -> None:
        await reader.read(1)
        writer.write(answer)
        then(writer)
        await end.wait()
        writer.transport.abort()

    async with await asyncio.start_server(serve, "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        broker = Broker(host="127.0.0.1", port=port)
        yield client_of(broker, ProtocolVersion.V311, None, None)
        end.set()


async def test_a_link_that_is_stuck_is_closed() -> None:
    async def publish(client: BrokerClient) -> None:
        async with client:
            await client.publish("a", STUCK, timeout=0.1)

    async with client_at(CONNACK, lambda _: None) as client:
        begin = asyncio.get_running_loop().time()
        with pytest.raises(MqttError, match="timed out"):
            await publish(client)
        assert asyncio.get_running_loop().time() - begin < ANSWER_TIMEOUT_S, "waits for a goodbye"
        assert client._client.socket() is None


async def test_a_link_that_breaks_as_it_is_made_is_none() -> None:
    async def subscribe(client: BrokerClient) -> None:
        async with client:
            await client.subscribe("a", timeout=5)

    nonsense = b"\x90\x02\x00\x01"  # a SUBACK of nothing, in the same breath
    async with client_at(CONNACK + nonsense, lambda writer: writer.close()) as client:
        with pytest.raises(MqttError):
            await subscribe(client)
        assert client._client.socket() is None
