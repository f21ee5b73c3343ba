"""What waits for the engine: bounded, the newest of each topic kept, long payloads cut."""

from __future__ import annotations

import asyncio
from typing import Any, cast

import pytest
from paho.mqtt.client import MQTTMessage
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from watchd.shell.mqtt.intake import Arrived, Intake, arrived


def message(topic: str, payload: bytes = b"", *, at: float = 0.0) -> Arrived:
    return Arrived(topic, payload, retained=False, at=at)


def waiting(intake: Intake) -> list[tuple[str, bytes]]:
    return [(taken.topic, taken.payload) for taken in intake.take(len(intake))]


async def test_in_order_while_there_is_room() -> None:
    intake = Intake(most=10, longest=100)
    sent = [("a", b"1"), ("b", b"2"), ("a", b"3")]
    for topic, payload in sent:
        intake.add(message(topic, payload))
    assert len(intake) == 3
    assert waiting(intake) == sent
    assert intake.take_dropped() == 0


async def test_beyond_it_the_newest_of_each_topic_stays_in_order() -> None:
    intake = Intake(most=10, longest=100)
    for number in range(11):
        intake.add(message("abc"[number % 3], b"%d" % number))
    assert waiting(intake) == [("c", b"8"), ("a", b"9"), ("b", b"10")]
    assert intake.take_dropped() == 8
    assert intake.take_dropped() == 0, "told once"


@pytest.mark.parametrize("most", [10, 11])
async def test_with_more_topics_than_room_the_oldest_go(most: int) -> None:
    intake = Intake(most=most, longest=100)
    for number in range(1000):
        intake.add(message(f"topic/{number}"))
        assert len(intake) <= most
    kept = waiting(intake)
    assert kept[-1][0] == "topic/999"
    assert [topic for topic, _ in kept] == [f"topic/{n}" for n in range(1000 - len(kept), 1000)]
    assert intake.take_dropped() == 1000 - len(kept)


async def test_a_payload_that_is_too_long_is_cut_so_that_it_is_still_too_long() -> None:
    intake = Intake(most=10, longest=100)
    for length in (99, 100, 101, 5000):
        intake.add(message("a", b"x" * length))
    assert [len(payload) for _, payload in waiting(intake)] == [99, 100, 101, 101]


async def test_it_wakes_who_waits_until_all_is_taken() -> None:
    intake = Intake(most=10, longest=100)
    waits = asyncio.create_task(intake.some())
    await asyncio.sleep(0)
    assert not waits.done()
    intake.extend([message("a"), message("b"), message("c")], size=300)
    await waits
    assert [m.topic for m in intake.take(2)] == ["a", "b"]
    await intake.some()
    assert [m.topic for m in intake.take(2)] == ["c"]
    again = asyncio.create_task(intake.some())
    await asyncio.sleep(0)
    assert not again.done()
    intake.wake()
    await again
    assert intake.take(2) == []


async def test_how_long_messages_wait() -> None:
    intake = Intake(most=10, longest=100)
    assert intake.waited_s() == 0.0
    intake.add(message("a", at=-1000.0))
    assert intake.waited_s() < 1000.0, "the intake is younger than this"
    intake.take(1)
    assert intake.waited_s() == 0.0


async def test_it_reads_on_until_the_socket_is_empty() -> None:
    intake = Intake(most=10, longest=100)
    loop = asyncio.get_running_loop()
    left = 25

    def read_one() -> None:  # as a socket is read, some in each turn of the loop
        nonlocal left
        intake.add(message(f"topic/{left}"))
        left -= 1
        intake.is_behind = left > 0
        if left:
            loop.call_soon(read_one)

    intake.is_behind = True
    loop.call_soon(read_one)
    await intake.read_on()
    assert left == 0


async def test_it_does_not_read_on_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("watchd.shell.mqtt.intake.READ_ON_S", 0.05)
    intake = Intake(most=10, longest=100)
    intake.is_behind = True
    async with asyncio.timeout(30):
        await intake.read_on()


def from_paho(topic: str, payload: bytes, *, retain: bool, properties: Any = None) -> MQTTMessage:
    found = cast("Any", MQTTMessage)(topic=topic.encode())
    found.payload, found.retain = payload, retain
    if properties is not None:
        found.properties = properties
    return cast("MQTTMessage", found)


def test_a_message_in_our_own_terms() -> None:
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call] # paho's
    properties.ResponseTopic = "answers/me"
    properties.CorrelationData = b"\x00\x01"
    found = arrived(from_paho("a/b", b"payload", retain=True, properties=properties), at=12.5)
    assert found == ("a/b", b"payload", True, 12.5, "answers/me", b"\x00\x01")
    plain = arrived(from_paho("a/b", b"payload", retain=False), at=12.5)
    assert plain == ("a/b", b"payload", False, 12.5, None, b"")
