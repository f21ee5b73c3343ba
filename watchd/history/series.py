"""Whole numbers to few bytes and back: the series that blocks of the history are made of.

A series is written as its first value, then differences, either to the value before or to the first
(whichever are smaller: a drift likes the one, noise the other), divided by their greatest common
divisor, as zigzag numbers of one width, byte plane by byte plane. zlib does the rest: high planes
are zeros, low planes have few symbols.

Zigzag and varint as in the encoding of Protocol Buffers (protobuf.dev, "Encoding"), from memory.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from itertools import accumulate
from math import gcd
from operator import sub

MOST_BYTES = 8_000_000  # of a block unpacked; five minutes at 1 Hz are 10 kB
LARGEST = 1 << 53
_FORMATS = {1: "B", 2: "H", 4: "I", 8: "Q"}
_PLAIN = 0x10
_UNZIGZAG = tuple((n >> 1) ^ -(n & 1) for n in range(256))


class DamagedBlockError(ValueError):
    """A block that is not what was written, or of a layout that this version doesn't know."""


class Writer:
    """Collects the body of a block."""

    def __init__(self) -> None:
        self._body = bytearray()

    def count(self, number: int) -> None:
        """A number that is not negative."""
        while number > 0x7F:
            self._body.append(number & 0x7F | 0x80)
            number >>= 7
        self._body.append(number)

    def text(self, text: str) -> None:
        """Some words."""
        data = text.encode()
        self.count(len(data))
        self._body += data

    def series(self, values: Sequence[int]) -> None:
        """As many numbers as the reader will ask for; each within plus and minus 2^53."""
        if not values:
            return
        first = values[0]
        self.count(_zigzag(first))
        later = values[1:]
        steps = list(map(sub, later, values))
        from_first = [v - first for v in later]
        plain = sum(map(abs, from_first)) < sum(map(abs, steps))
        differences = from_first if plain else steps
        divisor = gcd(*differences)
        if not divisor:
            self._body.append(0)
            return
        if divisor != 1:
            differences = [d // divisor for d in differences]
        packed = [2 * d if d >= 0 else -2 * d - 1 for d in differences]  # zigzag
        width = _width(max(packed))
        self._body.append(width | _PLAIN if plain else width)
        self.count(divisor)
        if width == 1:
            self._body += bytes(packed)
            return
        raw = struct.pack(f"<{len(packed)}{_FORMATS[width]}", *packed)
        for plane in range(width):
            self._body += raw[plane::width]

    def packed(self, head: bytes) -> bytes:
        """The block; `head` says its kind and layout."""
        # Noise repeats nothing: fewer matches and more Huffman, which takes a tenth less.
        pack = zlib.compressobj(9, strategy=zlib.Z_FILTERED)
        return head + pack.compress(self._body) + pack.flush()


class Reader:
    """Reads the body of a block. Every method raises DamagedBlockError where it can't be read."""

    def __init__(self, block: bytes, head: bytes) -> None:
        if block[: len(head)] != head:
            raise DamagedBlockError(f"a block of layout {head!r} begins with {block[:2]!r}")
        unpack = zlib.decompressobj()
        try:
            self._body = unpack.decompress(block[len(head) :], MOST_BYTES)
        except zlib.error as error:
            raise DamagedBlockError(str(error)) from error
        if not unpack.eof or unpack.unused_data:
            raise DamagedBlockError("it is cut off, has something behind it, or is too large")
        self._place = 0

    def count(self, most: int) -> int:
        """A number from 0 to `most`."""
        number = shift = 0
        while True:
            (byte,) = self._take(1)
            number |= (byte & 0x7F) << shift
            if byte < 0x80:
                break
            shift += 7
            if shift > 63:
                raise DamagedBlockError("a number without an end")
        if number > most:
            raise DamagedBlockError(f"{number} where at most {most} can be")
        return number

    def text(self, most: int) -> str:
        """Words of at most so many bytes."""
        try:
            return self._take(self.count(most)).decode()
        except UnicodeDecodeError as error:
            raise DamagedBlockError(str(error)) from error

    def series(self, number: int, low: int = -LARGEST, high: int = LARGEST) -> list[int]:
        """So many numbers, each from `low` to `high`."""
        if not number:
            return []
        raw = self.count(4 * LARGEST)
        first = (raw >> 1) ^ -(raw & 1)
        (form,) = self._take(1)
        width = form & ~_PLAIN
        if not width:
            values = [first] * number
        elif width in _FORMATS:
            differences = self._differences(number - 1, width)
            if form & _PLAIN:
                values = [first, *(first + d for d in differences)]
            else:
                values = list(accumulate(differences, initial=first))
        else:
            raise DamagedBlockError(f"no series is {width} bytes wide")
        if min(values) < low or max(values) > high:
            raise DamagedBlockError(f"a series is not within {low} to {high}")
        return values

    def end(self) -> None:
        """Nothing may be left."""
        if self._place != len(self._body):
            raise DamagedBlockError("more stands in it than was asked for")

    def _differences(self, number: int, width: int) -> list[int]:
        divisor = self.count(4 * LARGEST)
        raw = self._take(number * width)
        if width == 1:
            return [_UNZIGZAG[n] * divisor for n in raw]
        woven = bytearray(len(raw))
        for plane in range(width):
            woven[plane::width] = raw[plane * number : (plane + 1) * number]
        packed = struct.unpack(f"<{number}{_FORMATS[width]}", woven)
        return [((n >> 1) ^ -(n & 1)) * divisor for n in packed]

    def _take(self, number: int) -> bytes:
        found = self._body[self._place : self._place + number]
        if len(found) != number:
            raise DamagedBlockError("it ends too early")
        self._place += number
        return found


def _zigzag(number: int) -> int:
    return 2 * number if number >= 0 else -2 * number - 1


def _width(largest: int) -> int:
    return next(w for w in _FORMATS if largest < 1 << (8 * w))
