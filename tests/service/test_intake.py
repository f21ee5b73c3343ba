"""What waits for the engine: bounded, the newest of each topic kept, long payloads cut."""

from __future__ import annotations

import asyncio
import time

import pytest
from aiomqtt import Message
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from watchd.shell.mqtt.intake import Intake, arrived


def message(topic: str, payload: bytes = b"", *, retain: bool = False) -> Message:
    return Message(topic, payload, 0, retain, 0, None)


def waiting(intake: Intake) -> list[tuple[str, bytes]]:
    found = []
    while not intake.empty():
        taken = intake.get_nowait()
        found.append((str(taken.topic), bytes(taken.payload)))
    return found


async def test_in_order_while_there_is_room() -> None:
    intake = Intake(most=10, longest=100)
    sent = [("a", b"1"), ("b", b"2"), ("a", b"3")]
    for topic, payload in sent:
        intake.put_nowait(message(topic, payload))
    assert intake.qsize() == 3
    assert waiting(intake) == sent
    assert intake.take_dropped() == 0


async def test_beyond_it_the_newest_of_each_topic_stays_in_order() -> None:
    intake = Intake(most=10, longest=100)
    for number in range(11):
        intake.put_nowait(message("abc"[number % 3], b"%d" % number))
    assert waiting(intake) == [("c", b"8"), ("a", b"9"), ("b", b"10")]
    assert intake.take_dropped() == 8
    assert intake.take_dropped() == 0, "told once"


@pytest.mark.parametrize("most", [10, 11])
async def test_with_more_topics_than_room_the_oldest_go(most: int) -> None:
    intake = Intake(most=most, longest=100)
    for number in range(1000):
        intake.put_nowait(message(f"topic/{number}"))
        assert intake.qsize() <= most
    kept = waiting(intake)
    assert kept[-1][0] == "topic/999"
    assert [topic for topic, _ in kept] == [f"topic/{n}" for n in range(1000 - len(kept), 1000)]
    assert intake.take_dropped() == 1000 - len(kept)


async def test_a_payload_that_is_too_long_is_cut_so_that_it_is_still_too_long() -> None:
    intake = Intake(most=10, longest=100)
    for length in (99, 100, 101, 5000):
        intake.put_nowait(message("a", b"x" * length))
    assert [len(payload) for _, payload in waiting(intake)] == [99, 100, 101, 101]


async def test_it_wakes_who_waits_and_says_when_the_message_came() -> None:
    intake = Intake(most=10, longest=100)
    getting = asyncio.create_task(intake.get())
    await asyncio.sleep(0)
    before = time.monotonic()
    intake.put_nowait(message("a"))
    after = time.monotonic()
    assert str((await getting).topic) == "a"
    assert before <= intake.arrived_at <= after


async def test_it_reads_on_until_nothing_more_comes() -> None:
    intake = Intake(most=10, longest=100)
    loop = asyncio.get_running_loop()
    left = 25

    def read_one() -> None:  # as a socket is read, one message in each turn of the loop
        nonlocal left
        intake.put_nowait(message(f"topic/{left}"))
        left -= 1
        if left:
            loop.call_soon(read_one)

    loop.call_soon(read_one)
    await intake.read_on()
    assert left == 0


async def test_it_does_not_read_on_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("watchd.shell.mqtt.intake.READ_ON_S", 0.05)
    intake = Intake(most=10, longest=100)
    loop = asyncio.get_running_loop()
    ended = False

    def read_one() -> None:
        intake.put_nowait(message("flood"))
        if not ended:
            loop.call_soon(read_one)

    loop.call_soon(read_one)
    async with asyncio.timeout(30):
        await intake.read_on()
    ended = True


def test_a_message_in_our_own_terms() -> None:
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call] # paho's
    properties.ResponseTopic = "answers/me"
    properties.CorrelationData = b"\x00\x01"
    found = arrived(Message("a/b", b"payload", 1, True, 1, properties), at=12.5)
    assert (found.topic, found.payload, found.retained, found.at) == ("a/b", b"payload", True, 12.5)
    assert (found.reply_to, found.correlation) == ("answers/me", b"\x00\x01")
    plain = arrived(message("a/b", b"payload"), at=12.5)
    assert (plain.retained, plain.reply_to, plain.correlation) == (False, None, b"")
