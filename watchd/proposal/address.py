"""Where a value stands: the levels of its topic, and the way to it inside the payload."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from enum import StrEnum
from typing import NamedTuple, TypeAlias

MOST_DIGITS = 3
HOLE = "\0"  # stands for what varies; no topic and no key that is taken has it
_NUMBER = re.compile(rf"(?<!\d)\d{{1,{MOST_DIGITS}}}(?!\d)")
_WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[^\W\d_A-Za-z]+")
_PLAIN_KEY = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


class Kind(StrEnum):
    """What a part of an address is."""

    LEVEL = "level"  # of the topic
    KEY = "key"  # of an object in the payload
    INDEX = "index"  # of an array in the payload


class Part(NamedTuple):
    """One step of an address."""

    kind: Kind
    text: str

    def with_hole(self, begin: int, end: int) -> Part:
        """The same with a hole in place of some characters."""
        return Part(self.kind, f"{self.text[:begin]}{HOLE}{self.text[end:]}")

    def filled(self, text: str) -> Part:
        """The same with `text` in place of the hole."""
        return Part(self.kind, self.text.replace(HOLE, text))


Address: TypeAlias = tuple[Part, ...]


def address_of_topic(topic: str) -> Address:
    """The levels of a topic."""
    return tuple(Part(Kind.LEVEL, level) for level in topic.split("/"))


def topic_of(address: Sequence[Part]) -> str:
    """The topic of an address."""
    return "/".join(p.text for p in address if p.kind is Kind.LEVEL)


def levels_of(address: Sequence[Part]) -> int:
    """How many levels the topic has."""
    return sum(p.kind is Kind.LEVEL for p in address)


def holes_in(part: Part) -> Iterator[tuple[Part, str]]:
    """The part with a hole in place of each number in it, and that number as it is written."""
    for found in _NUMBER.finditer(part.text):
        yield part.with_hole(found.start(), found.end()), found[0]


def words_of(parts: Sequence[Part]) -> tuple[str, ...]:
    """The words in an address in small letters; cellVoltage_03 is cell, voltage."""
    return tuple(
        word.lower() for p in parts if p.kind is not Kind.INDEX for word in _WORD.findall(p.text)
    )


def json_path(parts: Sequence[Part], fill: Sequence[str] = ()) -> str:
    """The JSONPath (RFC 9535) of what is inside the payload.

    A hole takes each of `fill` in their order; one that is an index takes all.
    """
    path = "$"
    for part in parts:
        if part.kind is Kind.LEVEL:
            continue
        if HOLE in part.text:
            names = ",".join(_quoted(part.text.replace(HOLE, text)) for text in fill)
            path += "[*]" if part.kind is Kind.INDEX else f"[{names}]"
        elif part.kind is Kind.INDEX:
            path += f"[{part.text}]"
        elif _PLAIN_KEY.fullmatch(part.text):
            path += f".{part.text}"
        else:
            path += f"[{_quoted(part.text)}]"
    return path


def _quoted(key: str) -> str:
    escaped = key.replace("\\", "\\\\").replace("'", "\\'")
    return f"'{escaped}'"
