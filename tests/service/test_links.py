"""The links with a broker that does not let them read, and one that does not let go."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from dataclasses import replace
from typing import Any, cast

import pytest
from aiomqtt import Client, MqttError, ProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode
from structlog.testing import capture_logs

from tests.scene import config_of
from watchd.publish import Publish
from watchd.shell.clock import Clock
from watchd.shell.mqtt.broker import BrokerClient, subscribe
from watchd.shell.mqtt.handlers import Handlers
from watchd.shell.mqtt.intake import Arrived, Intake
from watchd.shell.mqtt.outbox import Outbox
from watchd.shell.mqtt.publishing import Publishing

HANDLERS = Handlers(print, print, print, print, list, list)


def publishing(outbox: Outbox, handlers: Handlers = HANDLERS) -> Publishing:
    """The link for what goes out, not connected."""
    return Publishing(config_of(), "watchd0", Clock(), outbox, handlers, linked=lambda: None)


class Broker:
    """Gives these codes for subscriptions."""

    refusal: str | None = None

    def __init__(self, *codes: Any) -> None:
        self._codes = codes

    async def subscribe(self, _filters: object) -> tuple[Any, ...]:
        """As aiomqtt's client."""
        return self._codes


@pytest.mark.parametrize(
    ("granted", "refused"),
    [
        (0, 0x80),
        (
            ReasonCode(PacketTypes.SUBACK, "Granted QoS 1"),
            ReasonCode(PacketTypes.SUBACK, "Not authorized"),
        ),
    ],
    ids=["3.1.1", "5"],
)
async def test_a_refused_subscription_is_told(granted: object, refused: object) -> None:
    client = cast("Client", Broker(granted, refused))
    with capture_logs() as lines:
        await subscribe(client, [("hut/a", 0), ("hut/b", 0)])
    assert [(x["event"], x["topics"]) for x in lines] == [
        ("the broker does not let watchd read", ["hut/b"])
    ]


class Deaf(Broker):
    """Publishing to it swallows a cancellation, as wait_for could until Python 3.12."""

    def __init__(self) -> None:
        super().__init__()
        self.publishing = asyncio.Event()
        self.refusal = None

    async def publish(self, *_words: object, **_more: object) -> None:
        """As aiomqtt's client."""
        self.publishing.set()
        with suppress(asyncio.CancelledError):
            await asyncio.sleep(3600)


async def test_a_cancellation_that_publishing_swallowed_ends_it_all_the_same() -> None:
    outbox = Outbox()
    link = publishing(outbox)
    broker = Deaf()
    sending = asyncio.ensure_future(link._send(cast("BrokerClient", broker), ProtocolVersion.V5))
    outbox.put([Publish("watchd/annunciation", b"1"), Publish("watchd/annunciation", b"2")])
    await broker.publishing.wait()
    sending.cancel()
    done, _ = await asyncio.wait([sending], timeout=30)
    assert done, "it still waits for more to send"
    assert sending.cancelled()


class Unwilling(Broker):
    """Refuses what is published, as MQTT 5 can say."""

    def __init__(self) -> None:
        super().__init__()
        self.refusal: str | None = None

    async def publish(self, *_words: object, **_more: object) -> None:
        """As aiomqtt's client, to which the answer comes with the acknowledgement."""
        self.refusal = "Not authorized"


async def test_a_message_that_the_broker_refuses_is_told_and_not_sent_again() -> None:
    outbox = Outbox()
    link = publishing(outbox)
    client = cast("BrokerClient", Unwilling())
    outbox.put([Publish("watchd/service", b"1", retain=True)])
    with capture_logs() as lines:
        sending = asyncio.ensure_future(link._send(client, ProtocolVersion.V5))
        await asyncio.wait_for(outbox.drained(), 30)
        sending.cancel()
        await asyncio.wait([sending])
    assert [(x["event"], x["topic"], x["reason"]) for x in lines] == [
        ("the broker does not let watchd publish", "watchd/service", "Not authorized")
    ]


class Talking(Broker):
    """Hands on a message, and breaks."""

    async def some(self, intake: Intake) -> None:
        """As our client."""
        if intake.take_dropped():
            raise MqttError("the connection broke")
        intake.add(Arrived("watchd/request", b"{}", retained=False, at=0.0))
        intake.extend([Arrived("watchd/request", b"{}", retained=False, at=1.0)] * 2, 2000)


@pytest.mark.parametrize("leaving", [False, True])
async def test_links_that_are_left_take_no_requests(leaving: bool) -> None:
    taken: list[Arrived] = []
    link = publishing(Outbox(), replace(HANDLERS, take=taken.extend))
    link.leaving = leaving
    with pytest.raises(MqttError):
        await link._listen(cast("BrokerClient", Talking()), Intake(2, 1000))
    assert len(taken) == (0 if leaving else 1), "the links that are there already take it"


class Slow(Broker):
    """Takes what needs no answer, and answers nothing."""

    def __init__(self) -> None:
        super().__init__()
        self.taken: list[str] = []
        self.asked = asyncio.Event()

    async def publish(self, topic: str, *_words: object, qos: int, **_more: object) -> None:
        """As aiomqtt's client."""
        self.taken.append(topic)
        if qos:
            await asyncio.sleep(3600)

    async def unsubscribe(self, *_words: object, **_more: object) -> None:
        """As aiomqtt's client."""
        self.asked.set()
        await asyncio.sleep(3600)


@pytest.mark.parametrize("qos", [0, 1])
async def test_no_more_is_on_its_way_than_a_few_figures(qos: int) -> None:
    outbox = Outbox()
    link = publishing(outbox)
    broker = Slow()
    topics = [f"watchd/figures/pack/{number}" for number in range(40)]
    outbox.put(Publish(topic, bytes(1000), qos=qos, retain=True) for topic in topics)
    sending = asyncio.ensure_future(link._send(cast("BrokerClient", broker), ProtocolVersion.V5))
    if qos:
        for _ in range(20):
            await asyncio.sleep(0)
    else:
        async with asyncio.timeout(30):
            await broker.asked.wait()
    assert broker.taken == topics[: len(broker.taken)], "in their order"
    assert 4 <= len(broker.taken) <= 8
    sending.cancel()
    await asyncio.wait([sending], timeout=30)
