"""What the store packs, it gives back: states of any shape, recordings of both kinds."""

from __future__ import annotations

import json
import zlib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchd.shell.store import contents
from watchd.shell.store.archive import line_of
from watchd.shell.store.contents import Block, DamagedError, Encoded, pack_state, unpack_state

PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text() | st.integers(), inner),
    max_leaves=30,
)
LINES = [b'{"t":1.0,"topic":"a","payload":"1"}', b'{"t":2.0,"topic":"b","payload":""}']


@given(st.dictionaries(st.text(), PLAIN))
def test_a_state_is_packed_as_one_text_however_deep(state: dict[str, Any]) -> None:
    text = json.dumps(state, separators=(",", ":"))
    assert zlib.decompress(pack_state(state)).decode() == text
    assert unpack_state(pack_state(state)) == json.loads(text)


@given(st.dictionaries(st.text(), st.dictionaries(st.text(), PLAIN)))
def test_parts_that_are_text_already_make_the_same_state(state: dict[str, Any]) -> None:
    parts = {name: {n: Encoded.of(d) for n, d in of.items()} for name, of in state.items()}
    assert pack_state({"engine": parts}) == pack_state({"engine": state})


@given(st.text(), st.binary(), st.floats(0, 1e12), st.booleans())
def test_a_line_is_the_json_of_a_message(
    topic: str, payload: bytes, at: float, retained: bool
) -> None:
    text = payload.decode("utf-8", "surrogateescape")
    data = {"t": at, "topic": topic, "payload": text, **({"retained": True} if retained else {})}
    found = line_of(topic, payload, at, retained=retained)
    assert found.decode() == json.dumps(data, separators=(",", ":"))


@pytest.mark.parametrize(("most_tight", "head"), [(10**6, b"BZh"), (0, b"\x78")])
def test_few_lines_are_packed_tightly_and_many_quickly(
    monkeypatch: pytest.MonkeyPatch, most_tight: int, head: bytes
) -> None:
    monkeypatch.setattr(contents, "MOST_TIGHT_BYTES", most_tight)
    packed = Block.of(2.0, LINES)
    assert packed.lines.startswith(head)
    assert packed.unpacked() == LINES
    with pytest.raises(DamagedError):
        Block(2.0, packed.lines[:-3]).unpacked()
