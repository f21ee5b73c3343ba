"""Lines of recordings, and what they say: `{"t": ..., "topic": ..., "payload": ...}`.

Nearly every line is plain, and is decoded by msgspec, with the payload as it was sent. `parse_line`
says what a line means; it reads all that is not plain, and words every refusal.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple, Protocol

import msgspec

from watchd.errors import Place, Problem, WatchdError

LONGEST_LINE = 8_000_000
CHUNK = 1 << 20  # bytes that are read at once, where so many are there
LATEST_T = 1e11
# A line as short as this nests no deeper, and has no longer number, than `parse_line` can take.
SHORT_LINE = 900
DEEPEST = 400
_LONG_NUMBER = re.compile(rb"\d{4000}")


class Recorded(NamedTuple):
    """One message of a recording. `t` is Unix seconds."""

    t: float
    topic: str
    payload: bytes
    retained: bool = False


class _Line(msgspec.Struct, gc=False):
    t: float
    topic: str
    payload: msgspec.Raw
    retained: bool | int = False


class Stream(Protocol):
    """A file, a pipe, or either unpacked."""

    def read1(self, size: int, /) -> bytes:
        """What is there by now, at most `size` bytes; it waits where nothing is, but at the end."""


_decode_line = msgspec.json.Decoder(_Line).decode
_decode_text = msgspec.json.Decoder(str).decode


def lines_of(stream: Stream, longest: int = LONGEST_LINE) -> Iterator[list[bytes]]:
    """All lines, as many at once as came together, without their ends.

    A line longer than `longest` bytes comes in pieces of that length: memory is bounded by it.
    """
    rest = b""
    while block := stream.read1(min(CHUNK, longest)):
        rest += block
        while len(rest) >= longest and rest.find(b"\n", 0, longest) < 0:
            yield [rest[:longest]]
            rest = rest[longest:]
        *lines, rest = rest.split(b"\n")
        if lines:
            yield lines
    if rest:
        yield [rest]


def messages_in(rows: Iterable[Sequence[bytes]], path: str) -> Iterator[list[tuple[int, Recorded]]]:
    """What the lines of a file say, row by row, each with its number; blank ones are left out.

    Raises WatchdError for a line that is none, after all that is before it.
    """
    number = 0
    for lines in rows:
        found: list[tuple[int, Recorded]] = []
        for line in lines:
            number += 1
            message = plain_line(line)
            if message is None:
                if not line.strip():
                    continue
                try:
                    message = parse_line(line, Place(path, number))
                except WatchdError:
                    yield found
                    raise
            found.append((number, message))
        yield found


def plain_line(line: bytes) -> Recorded | None:
    """What a plain line says; None of one that `parse_line` has to look at."""
    try:
        found = _decode_line(line)
        payload: bytes = bytes(found.payload)
        if payload[:1] == b'"':
            payload = _decode_text(payload).encode()
        if not line.isascii():
            line.decode()  # of what it does not decode, msgspec does not look at the encoding
    except (ValueError, RecursionError):  # msgspec's errors are ValueErrors
        return None
    if not (0 <= found.t < LATEST_T and found.topic):
        return None
    if len(line) > SHORT_LINE and not _is_flat(line):
        return None
    return Recorded(found.t, found.topic, payload, bool(found.retained))


def _is_flat(line: bytes) -> bool:
    return line.count(b"[") + line.count(b"{") < DEEPEST and _LONG_NUMBER.search(line) is None


def parse_line(line: bytes, place: Place) -> Recorded:
    """One line of a recording. Raises WatchdError with its place."""
    try:
        data = json.loads(line)
    except (ValueError, RecursionError):
        raise WatchdError(Problem("not a line of JSON", place)) from None
    if not isinstance(data, dict):
        raise WatchdError(Problem('not an object with "t", "topic" and "payload"', place))
    t, topic = data.get("t"), data.get("topic")
    if isinstance(t, bool) or not isinstance(t, int | float) or not 0 <= t < LATEST_T:
        raise WatchdError(Problem('"t" is missing or not Unix seconds', place))
    if not isinstance(topic, str) or not topic:
        raise WatchdError(Problem('"topic" is missing or not text', place))
    if "payload" not in data:
        raise WatchdError(Problem('"payload" is missing', place))
    payload = data["payload"]
    # Text is the payload itself; any other value is a JSON document as it was sent.
    raw = _bytes(payload) if isinstance(payload, str) else json.dumps(payload).encode()
    return Recorded(float(t), topic, raw, bool(data.get("retained", False)))


def _bytes(text: str) -> bytes:
    try:
        # As the history writes what was no UTF-8.
        return text.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:
        return text.encode("utf-8", "replace")
