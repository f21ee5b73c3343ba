"""All that changes the engine, as data: what it is told live, and told again after a crash.

The engine gives the same for the same inputs. So the inputs since the last saved state are as
good as the state of now (event sourcing), and cost less to keep.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NamedTuple

from watchd.digest.schedule import Period
from watchd.engine import Engine
from watchd.own_rules import Fault
from watchd.publish import Publish


class Fed(NamedTuple):
    """A message, and the system's time at which it arrived (Unix s).

    One is made for each message, and a frozen dataclass takes three times as long to make.
    """

    at: float
    topic: str
    payload: bytes
    retained: bool = False
    reply_to: str | None = None
    correlation: bytes = b""


@dataclass(frozen=True, slots=True)
class Ticked:
    """Time has passed, until this (Unix s)."""

    at: float


@dataclass(frozen=True, slots=True)
class Stepped:
    """The system's clock was set by so many seconds."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Faulted:
    """Something is wrong with watchd's own files, or no longer (None)."""

    at: float
    what: Fault
    why: str | None


@dataclass(frozen=True, slots=True)
class Digested:
    """A digest was made."""

    at: float
    period: Period
    record: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Resumed:
    """Another engine went on from the state of the last: a reload, or a new start."""

    at: float


@dataclass(frozen=True, slots=True)
class Told:
    """The broker has the annunciation of this number, and all before it."""

    number: int


Input = Fed | Ticked | Stepped | Faulted | Digested | Resumed | Told

_TICKED = struct.Struct("<cd")
_TOLD = struct.Struct("<cQ")
# kind, time, retained, lengths of topic, payload, reply topic (one more than it has; 0 for none)
# and correlation data
_FED = struct.Struct("<cd?HIHH")
# Longer than these MQTT has none.
_LONGEST = 65_535


def apply(engine: Engine, given: Input) -> list[Publish]:
    """Tell it to the engine; what to publish because of it."""
    match given:
        case Fed():
            return engine.feed(
                given.topic,
                given.payload,
                given.at,
                given.retained,
                given.reply_to,
                given.correlation,
            )
        case Ticked():
            return engine.tick(given.at)
        case Stepped():
            engine.step_clock(given.seconds)
            return engine.retained()
        case Faulted():
            return engine.fault(given.what, given.why, given.at)
        case Digested():
            return engine.digest(given.period, given.record, given.at)
        case _:  # not about this engine
            return []


def encode(given: Input) -> bytes:
    """An input as bytes."""
    match given:
        case Fed():
            topic = given.topic.encode("utf-8", "surrogateescape")[:_LONGEST]
            reply = given.reply_to.encode()[: _LONGEST - 1] if given.reply_to is not None else None
            head = _FED.pack(
                b"m",
                given.at,
                given.retained,
                len(topic),
                len(given.payload),
                0 if reply is None else len(reply) + 1,
                len(given.correlation),
            )
            return b"".join((head, topic, given.payload, reply or b"", given.correlation))
        case Ticked():
            return _TICKED.pack(b"t", given.at)
        case Resumed():
            return _TICKED.pack(b"r", given.at)
        case Stepped():
            return _TICKED.pack(b"c", given.seconds)
        case Told():
            return _TOLD.pack(b"a", given.number)
        case Faulted():
            return b"f" + json.dumps([given.at, given.what, given.why]).encode()
        case Digested():
            return b"d" + json.dumps([given.at, given.period, given.record]).encode()


def decode(data: bytes) -> Input:
    """An input from its bytes. Raises ValueError for what is none."""
    kind = data[:1]
    try:
        match kind:
            case b"m":
                return _fed(data)
            case b"t":
                return Ticked(_TICKED.unpack(data)[1])
            case b"r":
                return Resumed(_TICKED.unpack(data)[1])
            case b"c":
                return Stepped(_TICKED.unpack(data)[1])
            case b"a":
                return Told(_TOLD.unpack(data)[1])
            case b"f":
                at, what, why = json.loads(data[1:])
                return Faulted(float(at), Fault(what), None if why is None else str(why))
            case b"d":
                at, period, record = json.loads(data[1:])
                return Digested(float(at), Period(period), dict(record))
    except (struct.error, ValueError, TypeError, RecursionError) as error:
        raise ValueError(f"no input: {error}") from None
    raise ValueError(f"no input: of kind {kind!r}")


def _fed(data: bytes) -> Fed:
    _, at, retained, topic_n, payload_n, reply_n, correlation_n = _FED.unpack_from(data)
    ends = [_FED.size]
    for length in (topic_n, payload_n, max(0, reply_n - 1), correlation_n):
        ends.append(ends[-1] + length)
    if ends[-1] != len(data):
        raise ValueError("its lengths do not fit")
    topic, payload, reply, correlation = (data[begin:end] for begin, end in pairwise(ends))
    return Fed(
        at,
        topic.decode("utf-8", "surrogateescape"),
        payload,
        retained,
        reply.decode() if reply_n else None,
        correlation,
    )
