"""Recordings: JSON Lines of `{"t": ..., "topic": ..., "payload": ...}`, gzip allowed."""

from __future__ import annotations

import gzip
import json
import sys
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path
from typing import IO, cast

from watchd.errors import Place, Problem, WatchdError

LONGEST_LINE = 8_000_000
# A recorder that stamps as it prints may swap two messages; to the engine, time stands still then.
DISORDER_S = 1.0


@dataclass(frozen=True, slots=True)
class Recorded:
    """One message of a recording. `t` is Unix seconds."""

    t: float
    topic: str
    payload: bytes
    retained: bool = False


def read_recordings(paths: list[str]) -> Iterator[Recorded]:
    """The messages of the files one after the other; `-` is standard input.

    Raises WatchdError, with the line, for one that is no message or lies before an earlier one.
    """
    last = float("-inf")
    for path in paths:
        for number, message in _read(path):
            if message.t < last - DISORDER_S:
                what = f"t goes back by {last - message.t:g} s; a recording is in the order of time"
                raise WatchdError(Problem(what, Place(path, number)))
            last = max(last, message.t)
            yield message


def _read(path: str) -> Iterator[tuple[int, Recorded]]:
    number = 0
    try:
        with _open(path) as stream:
            while line := stream.readline(LONGEST_LINE):
                number += 1
                if line.strip():
                    yield number, _parse(line, Place(path, number))
    except (OSError, EOFError, zlib.error) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise WatchdError(Problem(f"cannot be read: {reason}", Place(path))) from error


@contextmanager
def _open(path: str) -> Iterator[IO[bytes]]:
    with ExitStack() as stack:
        if path == "-":
            stream = cast("BufferedReader", sys.stdin.buffer)
        else:
            stream = stack.enter_context(Path(path).open("rb"))
        # A pipe cannot be wound back, so no byte may be taken.
        packed = stream.peek(2)[:2] == b"\x1f\x8b"
        yield cast("IO[bytes]", gzip.GzipFile(fileobj=stream)) if packed else stream


def _parse(line: bytes, place: Place) -> Recorded:
    try:
        data = json.loads(line)
    except (ValueError, RecursionError):
        raise WatchdError(Problem("not a line of JSON", place)) from None
    if not isinstance(data, dict):
        raise WatchdError(Problem('not an object with "t", "topic" and "payload"', place))
    t, topic = data.get("t"), data.get("topic")
    if isinstance(t, bool) or not isinstance(t, int | float) or not 0 <= t < 1e11:
        raise WatchdError(Problem('"t" is missing or not Unix seconds', place))
    if not isinstance(topic, str) or not topic:
        raise WatchdError(Problem('"topic" is missing or not text', place))
    if "payload" not in data:
        raise WatchdError(Problem('"payload" is missing', place))
    payload = data["payload"]
    # Text is the payload itself; any other value is a JSON document as it was sent.
    raw = (
        payload.encode("utf-8", "replace")
        if isinstance(payload, str)
        else (json.dumps(payload).encode())
    )
    return Recorded(float(t), topic, raw, bool(data.get("retained", False)))
