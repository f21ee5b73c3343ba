"""Recordings: JSON Lines of `{"t": ..., "topic": ..., "payload": ...}`, gzip allowed."""

from __future__ import annotations

import gzip
import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from watchd.errors import Place, Problem, WatchdError

LONGEST_LINE = 8_000_000


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
            if message.t < last:
                what = f"t goes back by {last - message.t:g} s; a recording is in the order of time"
                raise WatchdError(Problem(what, Place(path, number)))
            last = message.t
            yield message


def _read(path: str) -> Iterator[tuple[int, Recorded]]:
    number = 0
    try:
        with _open(path) as stream:
            while line := stream.readline(LONGEST_LINE):
                number += 1
                if line.strip():
                    yield number, _parse(line, Place(path, number))
    except (OSError, EOFError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise WatchdError(Problem(f"cannot be read: {reason}", Place(path))) from error


def _open(path: str) -> IO[bytes]:
    if path == "-":
        return sys.stdin.buffer
    stream = Path(path).open("rb")  # noqa: SIM115 - the caller closes it
    packed = stream.read(2) == b"\x1f\x8b"
    stream.seek(0)
    return gzip.GzipFile(fileobj=stream) if packed else stream  # type: ignore[return-value]


def _parse(line: bytes, place: Place) -> Recorded:
    try:
        data = json.loads(line)
    except (ValueError, RecursionError):
        raise WatchdError(Problem("not a line of JSON", place)) from None
    if not isinstance(data, dict):
        raise WatchdError(Problem('not an object with "t", "topic" and "payload"', place))
    t, topic = data.get("t"), data.get("topic")
    if isinstance(t, bool) or not isinstance(t, int | float) or not abs(t) < 1e11:
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
