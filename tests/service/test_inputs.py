"""What the engine is told, as bytes and back."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchd.digest.schedule import Period
from watchd.own_rules import Fault
from watchd.shell.inputs import (
    Digested,
    Faulted,
    Fed,
    Input,
    Resumed,
    Stepped,
    Ticked,
    Told,
    decode,
    encode,
)

TIMES = st.floats(0, 1e11)
# MQTT's strings are UTF-8; what came as something else was read with surrogates.
TOPICS = st.binary(max_size=200).map(lambda raw: raw.decode("utf-8", "surrogateescape"))
INPUTS: st.SearchStrategy[Input] = st.one_of(
    st.builds(
        Fed,
        TIMES,
        TOPICS,
        st.binary(max_size=2000),
        st.booleans(),
        st.none() | st.text(st.characters(codec="utf-8"), max_size=50),
        st.binary(max_size=50),
    ),
    st.builds(Ticked, TIMES),
    st.builds(Resumed, TIMES),
    st.builds(Stepped, st.floats(-1e9, 1e9)),
    st.builds(Told, st.integers(0, 2**63)),
    st.builds(
        Digested,
        TIMES,
        st.sampled_from(Period),
        st.dictionaries(st.text(max_size=20), st.none() | st.integers() | st.text(max_size=50)),
    ),
    st.builds(Faulted, TIMES, st.sampled_from(Fault), st.none() | st.text(max_size=100)),
)


@given(INPUTS)
def test_an_input_comes_back_as_it_was(what: Input) -> None:
    assert decode(encode(what)) == what


@given(INPUTS, st.data())
def test_a_damaged_one_is_an_input_or_none_and_never_worse(
    what: Input, data: st.DataObject
) -> None:
    raw = bytearray(encode(what))
    for place in data.draw(st.lists(st.integers(0, len(raw) - 1), max_size=5)):
        raw[place] ^= data.draw(st.integers(1, 255))
    end = data.draw(st.integers(0, len(raw)))
    with contextlib.suppress(ValueError):
        decode(bytes(raw[:end]))


@pytest.mark.parametrize(
    "raw", [b"", b"x", b"t", b"f{", b'f[1, "other", null]', b"f" + b"[" * 9999]
)
def test_what_is_no_input(raw: bytes) -> None:
    with pytest.raises(ValueError, match="no input"):
        decode(raw)
