"""Lines of recordings: the quick way through them against the one that says what they mean."""

from __future__ import annotations

import io
import json
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from watchd.commands.recorded import (
    DEEPEST,
    Recorded,
    lines_of,
    messages_in,
    parse_line,
    plain_line,
)
from watchd.errors import Place, WatchdError

SOMEWHERE = Place("day.jsonl", 1)
NUMBERS = st.integers() | st.floats() | st.sampled_from([-0.0, 1e11, 1e400, 10**400, 99999999999.9])
TEXTS = st.text(st.characters(categories=["L", "N", "P", "Cs", "Cc"]), max_size=8)
VALUES = st.recursive(
    st.none() | st.booleans() | NUMBERS | TEXTS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXTS, inner, max_size=3),
    max_leaves=6,
)
KEYS = st.sampled_from(["t", "topic", "payload", "retained", "more"])
BLANKS = st.sampled_from(["", " ", "\t", "\r", "  ", "\x0b", "\xa0"])
# Pieces that JSON has, or just not.
PIECES = st.sampled_from(
    [
        b"NaN",
        b"01",
        b"1.",
        b"1e400",
        b"-",
        b'"\\ud800"',
        b'"\\x"',
        b"\xff",
        b"\x00",
        b'"\x01"',
        b"}",
    ]
)


@st.composite
def documents(draw: st.DrawFn) -> bytes:
    """An object of about the right keys, some of them twice or missing, in any spacing."""
    plain = draw(st.booleans())
    pairs: list[tuple[str, Any]] = [
        ("t", draw(st.floats(0, 1e11) if plain else NUMBERS | VALUES)),
        ("topic", draw(TEXTS if plain else VALUES)),
        ("payload", draw(VALUES)),
        *draw(st.lists(st.tuples(KEYS, VALUES), max_size=0 if plain else 2)),
    ]
    if not plain:
        pairs = draw(st.permutations(pairs))[: draw(st.integers(2, 5))]
    is_ascii = draw(st.booleans())
    blank = draw(BLANKS) if not plain else draw(st.sampled_from(["", " "]))
    said = (
        f"{json.dumps(k)}:{blank}{json.dumps(v, ensure_ascii=is_ascii)}{blank}" for k, v in pairs
    )
    return f"{{{','.join(said)}}}{blank}".encode("utf-8", "surrogatepass")


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """The same with a piece in it that was not there."""
    line = draw(documents())
    begin = draw(st.integers(0, len(line)))
    end = draw(st.integers(begin, min(len(line), begin + 4)))
    return line[:begin] + draw(PIECES | st.binary(max_size=3)) + line[end:]


def meant(message: Recorded) -> tuple[Any, ...]:
    """A message without the spacing of its payload, and an infinity as what it was read from."""
    try:
        payload: Any = repr(json.loads(message.payload))
    except (ValueError, RecursionError):
        payload = message.payload
    return message.t, message.topic, payload, message.retained


@settings(max_examples=400)
@given(documents() | damaged() | st.binary(max_size=40))
@example(b'{"t":1,"topic":"a","payload":' + b"9" * 5000 + b"}")
@example(b'{"t":1,"topic":"a","payload":' + b"[" * 990 + b"]" * 990 + b"}")
@example(b'{"t":1,"topic":"a","payload":["\xff"]}')
@example(b'{"t":1,"topic":"a","payload":{"a":1,"a":2}}')
@example(b'{"t":1,"topic":"a","payload":"\\ud800"}')
@example(b'{"t":1,"topic":"a","payload":1,"retained":2}')
@example(b'\xef\xbb\xbf{"t":1,"topic":"a","payload":1}')
@example('{"t":1,"topic":"a","payload":1}'.encode("utf-16-le"))
def test_a_plain_line_means_what_it_means(line: bytes) -> None:
    quick = plain_line(line)
    if quick is not None:
        assert meant(quick) == meant(parse_line(line, SOMEWHERE))


@pytest.mark.parametrize(
    "line",
    [
        b'{"t":1790000000.25,"topic":"hut/alder/state","payload":{"volts": 53.1, "mv": [3312]}}',
        b'{"t":1790000000,"topic":"hut/alder/amps","payload":"12.5","retained":0}',
        '{"t":1,"topic":"hütte","payload":{"wort":"ß"},"more":[1]}'.encode(),
        b' {"retained" : true, "payload" : null, "topic" : "a", "t" : 1}\r',
        b'{"t":1,"topic":"a","payload":{"mv":[' + b"3312," * 400 + b"3312]}}",
    ],
)
def test_lines_as_recorders_write_them_are_plain(line: bytes) -> None:
    quick = plain_line(line)
    assert quick is not None
    assert meant(quick) == meant(parse_line(line, SOMEWHERE))


def test_the_payload_comes_as_it_was_sent() -> None:
    document = b'{ "volts":53.10,"volts":5e1 }'
    quick = plain_line(b'{"t":1,"topic":"a","payload":' + document + b"}")
    assert quick == Recorded(1.0, "a", document)
    assert plain_line(b'{"t":1,"topic":"a","payload":"53.10"}') == Recorded(1.0, "a", b"53.10")


def test_what_nests_deep_is_left_to_the_one_that_says_so() -> None:
    deep = b"[" * DEEPEST + b"1" * 200 + b"]" * DEEPEST
    assert plain_line(b'{"t":1,"topic":"a","payload":' + deep + b"}") is None


class Pipe:
    """Gives its bytes in blocks of some size, as a pipe may."""

    def __init__(self, data: bytes, sizes: list[int]) -> None:
        self._stream, self._sizes = io.BytesIO(data), sizes

    def read1(self, size: int, /) -> bytes:
        own = self._sizes.pop() if self._sizes else size
        return self._stream.read(min(size, own))


@given(
    st.lists(st.sampled_from([b"\n", b"a", b"bcd", b"e" * 9, b"\r", b" "]), max_size=30),
    st.lists(st.integers(1, 20), max_size=10),
)
def test_lines_are_those_of_a_file_read_line_by_line(parts: list[bytes], sizes: list[int]) -> None:
    data = b"".join(parts)
    stream, read = io.BytesIO(data), []
    while line := stream.readline(8):
        read.append(line.removesuffix(b"\n"))
    found = [line for lines in lines_of(Pipe(data, sizes), longest=8) for line in lines]
    # Of a line that is exactly as long as one may be, a file gives the end as a line of its own.
    assert found == read


def test_what_came_before_a_bad_line_is_told_first() -> None:
    good = b'{"t":1,"topic":"a","payload":1}'
    rows = messages_in([[good, b"", b"  "], [good, b"nonsense", good]], "day.jsonl")
    assert [number for number, _ in (*next(rows), *next(rows))] == [1, 4]
    with pytest.raises(WatchdError, match=r"day\.jsonl:5: not a line of JSON"):
        next(rows)
