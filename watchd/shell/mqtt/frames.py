"""Telemetry out of large reads: messages at QoS 0 at once, every other packet for paho.

paho takes four reads of the socket for each message, and makes objects for what QoS 0 has not: a
third of what the daemon may take for a message in all. MQTT 3.1.1 section 2.2 has the header of a
packet, 2.2.3 its length, 3.3 PUBLISH.
"""

from __future__ import annotations

import ssl
import time
from typing import Protocol

from watchd.shell.mqtt.intake import OVERHEAD_BYTES, Arrived, Intake

BLOCK_BYTES = 65_536
MOST_BLOCKS = 16  # read in one turn of the loop
MOST_TOPICS = 10_000  # kept in mind as text
_PUBLISH_0 = 0x30  # QoS 0, and so never a duplicate
_RETAINED = 0x01


class Socket(Protocol):
    """What paho wants of a socket."""

    def recv(self, buffer_size: int, /) -> bytes:
        """Some bytes; none where the other side has ended."""

    def send(self, buffer: bytes | bytearray, /) -> int:
        """Send some; how many."""

    def close(self) -> None:
        """Close it."""

    def fileno(self) -> int:
        """Its number."""

    def setblocking(self, flag: bool, /) -> None:
        """Whether it waits."""


class Frames:
    """Cuts a stream of bytes into packets.

    What it can't make sense of goes to paho as it is, which ends the link.
    """

    def __init__(self, longest: int) -> None:
        """A payload longer than `longest` is cut to one byte more, as `Intake` does."""
        self._longest = longest
        self._begun: list[bytes] = []
        self._lacking = 0  # bytes of the packet that has begun
        self._topics: dict[bytes, str] = {}
        self._is_senseless = False

    def take(self, data: bytes, at: float) -> tuple[list[Arrived], bytes]:
        """The messages that are whole with this, as come `at`; and the other packets."""
        if self._is_senseless:
            return [], data
        if self._begun:
            self._begun.append(data)
            self._lacking -= len(data)
            if self._lacking > 0:
                return [], b""
            data = b"".join(self._begun)
            self._begun = []
        return self._cut(data, at)

    def _cut(self, data: bytes, at: float) -> tuple[list[Arrived], bytes]:
        found: list[Arrived] = []
        others = b""
        place, end, longest = 0, len(data), self._longest
        while end - place >= 2:
            head, length, body = data[place], data[place + 1], place + 2
            if length > 0x7F:
                length, body = self._length(data, place + 1)
                if self._is_senseless:
                    return found, others + data[place:]
                if not body:  # not even the length is whole
                    break
            stop = body + length
            if stop > end:
                self._lacking = stop - end
                break
            topic, payload = None, stop
            if head & ~_RETAINED == _PUBLISH_0 and length >= 2:
                begin = body + 2
                payload = begin + (data[body] << 8 | data[body + 1])
                if payload <= stop:
                    topic = self._topic(data[begin:payload])
            if topic is None:
                others += data[place:stop]
            else:
                text = data[payload : min(stop, payload + longest + 1)]
                found.append(Arrived(topic, text, head & _RETAINED != 0, at))
            place = stop
        else:
            self._lacking = 2 - (end - place)
        if place < end:
            self._begun = [data[place:]]
        return found, others

    def _length(self, data: bytes, place: int) -> tuple[int, int]:
        """The length of a packet, and where its body begins: 0 where it isn't known yet."""
        length = 0
        for number, byte in enumerate(data[place : place + 4]):
            length |= (byte & 0x7F) << (7 * number)
            if byte <= 0x7F:
                return length, place + number + 1
        if len(data) - place >= 4:
            self._is_senseless = True
        self._lacking = 1
        return 0, 0

    def _topic(self, raw: bytes) -> str | None:
        """The text of a topic; None where it is none: paho is to decide on that."""
        topic = self._topics.get(raw)
        if topic is None:
            try:
                topic = raw.decode()
            except UnicodeDecodeError:
                return None
            if len(self._topics) >= MOST_TOPICS:
                self._topics.clear()
            self._topics[raw] = topic
        return topic


class BlockSocket:
    """Stands between paho and a socket: `fill` reads much at once, and paho gets what is left."""

    def __init__(self, socket: Socket, intake: Intake) -> None:
        self._socket, self._intake = socket, intake
        self._frames = Frames(intake.longest)
        self._others = b""
        self._end: Exception | None = None
        self._has_ended = False

    @property
    def has_others(self) -> bool:
        """Whether there is something for paho to read, be it that the link is at its end."""
        return bool(self._others) or self._has_ended

    def fill(self) -> None:
        """Read what has come; messages go into the intake."""
        for _ in range(MOST_BLOCKS):
            try:
                data = self._socket.recv(BLOCK_BYTES)
            except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
                break
            except OSError as error:
                self._end, self._has_ended = error, True
                break
            if not data:
                self._has_ended = True
                break
            found, others = self._frames.take(data, time.monotonic())
            self._others += others
            if found:
                self._intake.extend(found, len(data) + OVERHEAD_BYTES * len(found))
            if len(data) < BLOCK_BYTES and not self._is_pending():
                break
        else:
            self._intake.is_behind = True
            return
        self._intake.is_behind = False

    def _is_pending(self) -> bool:
        """Whether TLS has more that the loop, which looks at the socket, does not know of."""
        return isinstance(self._socket, ssl.SSLSocket) and self._socket.pending() > 0

    # --- what paho does with a socket ---

    def recv(self, buffer_size: int, /) -> bytes:
        """Of the other packets. Raises as a socket does."""
        if self._others:
            found, self._others = self._others[:buffer_size], self._others[buffer_size:]
            return found
        if self._end is not None:
            raise self._end
        if self._has_ended:
            return b""
        raise BlockingIOError

    def send(self, buffer: bytes | bytearray, /) -> int:
        """As the socket."""
        return self._socket.send(buffer)

    def close(self) -> None:
        """As the socket."""
        self._socket.close()

    def fileno(self) -> int:
        """As the socket."""
        return self._socket.fileno()

    def setblocking(self, flag: bool, /) -> None:
        """As the socket."""
        self._socket.setblocking(flag)
