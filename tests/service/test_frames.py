"""Packets of MQTT 3.1.1 out of a stream of bytes, however it is cut (sections 2.2 and 3.3)."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchd.shell.mqtt.frames import BLOCK_BYTES, MOST_BLOCKS, BlockSocket, Frames
from watchd.shell.mqtt.intake import Arrived, Intake

LONGEST = 300
PINGRESP = b"\xd0\x00"


def packet(head: int, body: bytes) -> bytes:
    """As section 2.2.3 encodes its length (the pseudo code there)."""
    left, length = len(body), bytearray()
    while True:
        byte, left = left % 128, left // 128
        length.append(byte | 0x80 if left else byte)
        if not left:
            return bytes([head]) + bytes(length) + body


def publish(topic: bytes, payload: bytes, head: int = 0x30) -> bytes:
    return packet(head, len(topic).to_bytes(2, "big") + topic + payload)


def told(frames: Frames, parts: list[bytes]) -> tuple[list[Arrived], bytes]:
    found: list[Arrived] = []
    others = b""
    for part in parts:
        messages, rest = frames.take(part, 7.0)
        found += messages
        others += rest
    return found, others


TOPICS = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40)
PAYLOADS = st.one_of(st.binary(max_size=200), st.integers(0, 20_000).map(bytes))
MESSAGES = st.tuples(TOPICS, PAYLOADS, st.booleans())
# Answers of the broker, and a message at QoS 1: none of them is ours to take.
OTHERS = st.sampled_from(
    [PINGRESP, packet(0x90, b"\x00\x01\x00"), publish(b"a", b"\x00\x07b", 0x32), packet(0x30, b"")]
)


@given(st.lists(MESSAGES | OTHERS, max_size=8), st.lists(st.integers(0, 10**6), max_size=12))
def test_however_the_stream_is_cut(
    sent: list[tuple[str, bytes, bool] | bytes], cuts: list[int]
) -> None:
    stream = b"".join(
        one if isinstance(one, bytes) else publish(one[0].encode(), one[1], 0x30 | one[2])
        for one in sent
    )
    places = sorted({0, len(stream), *(cut % (len(stream) + 1) for cut in cuts)})
    parts = [stream[a:b] for a, b in pairwise(places)]
    found, others = told(Frames(LONGEST), parts)
    assert found == [
        (topic, payload[: LONGEST + 1], retained, 7.0, None, b"")
        for topic, payload, retained in (one for one in sent if not isinstance(one, bytes))
    ]
    assert others == b"".join(one for one in sent if isinstance(one, bytes))


def test_byte_by_byte() -> None:
    stream = publish(b"hut/alder/state", bytes(40_000)) + PINGRESP + publish(b"b", b"")
    found, others = told(Frames(10**6), [bytes([byte]) for byte in stream])
    assert [(m.topic, len(m.payload)) for m in found] == [("hut/alder/state", 40_000), ("b", 0)]
    assert others == PINGRESP


@pytest.mark.parametrize(
    "odd",
    [
        publish(b"\xff\xfe", b"no UTF-8"),
        packet(0x30, b"\x00\x09short"),  # the topic ends after the packet
        packet(0x30, b"\x00"),
        publish(b"a", b"1", 0x38),  # a duplicate at QoS 0: MQTT-3.3.1-2
    ],
)
def test_what_makes_no_sense_is_for_paho_to_judge(odd: bytes) -> None:
    found, others = told(Frames(LONGEST), [publish(b"a", b"1"), odd, publish(b"b", b"2")])
    assert [m.topic for m in found] == ["a", "b"]
    assert others == odd


def test_behind_a_length_without_an_end_nothing_is_a_packet_any_more() -> None:
    frames, endless = Frames(LONGEST), b"\x30\xff\xff\xff\xff\x01"
    found, others = told(frames, [publish(b"a", b"1"), endless, publish(b"b", b"2")])
    assert [m.topic for m in found] == ["a"]
    assert others == endless + publish(b"b", b"2")


@pytest.fixture
def ends() -> Iterator[tuple[socket.socket, socket.socket]]:
    ours, broker = socket.socketpair()
    with ours, broker:
        ours.setblocking(False)
        yield ours, broker


async def test_a_socket_read_in_blocks(ends: tuple[socket.socket, socket.socket]) -> None:
    ours, broker = ends
    intake = Intake(most=1000, longest=LONGEST)
    blocks = BlockSocket(ours, intake)

    def told_to_paho() -> bytes | None:
        blocks.fill()
        return blocks.recv(1) + blocks.recv(9) if blocks.has_others else None

    assert told_to_paho() is None
    with pytest.raises(BlockingIOError):
        blocks.recv(1)
    broker.sendall(publish(b"a", b"1") + PINGRESP + publish(b"b", b"2"))
    assert told_to_paho() == PINGRESP
    assert [m.topic for m in intake.take(9)] == ["a", "b"]
    broker.sendall(publish(b"c", b"3"))
    broker.close()
    assert told_to_paho() is None
    assert [m.topic for m in intake.take(9)] == ["c"], "what came before the end counts"
    assert told_to_paho() == b"", "the end, as of any socket"


class Full:
    """A socket that always has more."""

    def recv(self, buffer_size: int, /) -> bytes:
        """As a socket's."""
        return (publish(b"a", bytes(98)) * (buffer_size // 103 + 1))[:buffer_size]

    def send(self, buffer: bytes | bytearray, /) -> int:
        """As a socket's."""
        return len(buffer)

    def close(self) -> None:
        """As a socket's."""

    def fileno(self) -> int:
        """As a socket's."""
        return 99

    def setblocking(self, flag: bool, /) -> None:
        """As a socket's."""


async def test_a_socket_that_always_has_more_does_not_hold_up_all_else() -> None:
    intake = Intake(most=10**6, longest=LONGEST)
    blocks = BlockSocket(Full(), intake)
    blocks.fill()
    assert intake.is_behind
    assert 0 < len(intake) <= MOST_BLOCKS * BLOCK_BYTES // 100


class Broken(Full):
    """A socket of a link that broke."""

    def recv(self, buffer_size: int, /) -> bytes:
        """As a socket's."""
        del buffer_size
        raise ConnectionResetError("made up for this test")


async def test_a_link_that_broke_is_told_to_paho() -> None:
    blocks = BlockSocket(Broken(), Intake(most=10, longest=LONGEST))
    blocks.fill()
    assert blocks.has_others
    with pytest.raises(ConnectionResetError):
        blocks.recv(1)
