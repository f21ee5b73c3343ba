"""What goes into the store and comes out of it.

`upto` is the number of the last input (message) that what is written covers; 0 where none is.
"""

from __future__ import annotations

import bz2
import json
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from watchd.history.recorder import SampleBlock
from watchd.history.trend_recorder import TrendPart

STATE_LEVEL = 6  # of zlib; higher ones take longer and give next to nothing
STATE_DEPTH = 3  # state, engine, packs, one of them
_BZIP2 = b"BZh"
_ENCODE = json.JSONEncoder(separators=(",", ":")).encode


class DamagedError(Exception):
    """The file cannot be used as it is and is to be set aside; `newer`: it is whole, but of a
    newer watchd.
    """

    def __init__(self, why: str, *, newer: bool = False) -> None:
        super().__init__(why)
        self.newer = newer


# Five minutes of eight packs at once a second or so; more in one block comes of many packs.
MOST_TIGHT_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class Block:
    """Some minutes of telemetry: JSON Lines as a recording has them, packed.

    By bzip2 where the card is what counts, as with one bank. By zlib where the processor is, since
    so much comes: it takes a seventh of the time, for half as much again in size or up to twice as
    much. Both carry a checksum.
    """

    last_at: float
    lines: bytes

    @classmethod
    def of(cls, last_at: float, lines: Sequence[bytes]) -> Block:
        """Pack lines; each ends without a line break."""
        text = b"\n".join(lines)
        pack = bz2.compress if len(text) <= MOST_TIGHT_BYTES else zlib.compress
        return cls(last_at, pack(text))

    def unpacked(self) -> list[bytes]:
        """The lines again. Raises DamagedError."""
        try:
            if self.lines.startswith(_BZIP2):
                return bz2.decompress(self.lines).split(b"\n")
            return zlib.decompress(self.lines).split(b"\n")
        except (OSError, ValueError, zlib.error) as error:
            raise DamagedError(f"a block of telemetry is damaged: {error}") from error


@dataclass(frozen=True, slots=True)
class Kept:
    """What is added to the history in one transaction, and what it may hold then.

    `block`: None where no message came, or none is to be kept; `oldest`: what ended before (Unix s)
    goes, minus infinity for nothing; `most_bytes`: of the whole file; `oldest_minute`: as `oldest`,
    for minutes and trends of the history.
    """

    block: Block | None
    upto: int
    oldest: float
    most_bytes: int
    samples: Sequence[SampleBlock] = ()
    oldest_minute: float = float("-inf")
    trends: TrendPart = field(default_factory=TrendPart)


@dataclass(frozen=True, slots=True)
class Loaded:
    """What the store held at the start, and how far it had come.

    `state` is the newest, and the journal goes as far. `base` is the state as of the last block of
    the history, where the file still has it: from there, all can be told again. `trends` is what
    made no full block then.
    """

    state: dict[str, Any] | None = None
    state_upto: int = 0
    kept_upto: int = 0
    base: dict[str, Any] | None = None
    trends: bytes | None = None


def loaded_from(
    snapshot: tuple[int, bytes] | None, kept: tuple[int, bytes | None] | None
) -> Loaded:
    """From the rows of both tables. Raises ValueError for a state that is no JSON."""
    state = unpack_state(snapshot[1]) if snapshot is not None else None
    upto = snapshot[0] if snapshot is not None else 0
    kept_upto, packed = kept if kept is not None else (0, None)
    if packed is not None:
        base = unpack_state(packed)
    else:
        base = state if kept is not None and kept_upto == upto else None
    return Loaded(state, upto, kept_upto, base)


@dataclass(frozen=True, slots=True)
class Encoded:
    """A part of a state that is JSON already: a fifth of what it takes as data."""

    text: str

    @classmethod
    def of(cls, data: Any) -> Encoded:
        """Of plain data."""
        return cls(_ENCODE(data))


def pack_state(state: dict[str, Any]) -> bytes:
    """A snapshot as the file has it."""
    packing = zlib.compressobj(STATE_LEVEL)
    packed = [packing.compress(piece.encode()) for piece in _pieces(state, STATE_DEPTH)]
    return b"".join([*packed, packing.flush()])


def _pieces(data: Any, depth: int) -> Iterator[str]:
    """The JSON of a state, one entry of its upper levels at a time.

    As one text it would be tens of MB with a thousand packs, and nobody else would run meanwhile:
    the encoder lets go of the interpreter only between two calls.
    """
    if isinstance(data, Encoded):
        yield data.text
    elif depth and data and isinstance(data, dict) and all(isinstance(k, str) for k in data):
        before = "{"
        for key, value in data.items():
            yield f"{before}{_ENCODE(key)}:"
            yield from _pieces(value, depth - 1)
            before = ","
        yield "}"
    else:
        yield _ENCODE(data)


def pack_text(text: bytes) -> bytes:
    """A snapshot that is JSON already, as the file has it."""
    return zlib.compress(text, STATE_LEVEL)


def unpack_state(packed: Any) -> dict[str, Any] | None:
    """The snapshot again; None for what is no mapping. Raises ValueError for what is no JSON."""
    try:
        state = json.loads(zlib.decompress(packed))
    except (zlib.error, TypeError):
        raise ValueError("not packed as it should be") from None
    except RecursionError:
        raise ValueError("nested too deep") from None
    return state if isinstance(state, dict) else None
