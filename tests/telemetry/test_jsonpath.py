"""Paths that watchd follows itself, against the library that follows all of them."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import jsonpath_rfc9535
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchd.telemetry.jsonpath import JsonPath
from watchd.telemetry.jsonpath_library import Query

NAMES = ["a", "b", "ä", "0", ""]
scalars = st.none() | st.booleans() | st.integers(-2, 2) | st.sampled_from([*NAMES, 1.5])
documents = st.recursive(
    scalars,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(NAMES), inner, max_size=4)
    ),
    max_leaves=25,
)
steps = st.one_of(
    st.sampled_from(NAMES).map(lambda name: f"['{name}']"),
    st.integers(-4, 4).map(lambda index: f"[{index}]"),
    st.just("[*]"),
    st.sampled_from([".a", ".b", ".*"]),
)


@given(st.lists(steps, max_size=4), documents)
def test_the_same_values_in_the_same_order(parts: list[str], document: Any) -> None:
    text = "$" + "".join(parts)
    path = JsonPath(text)
    assert path.steps is not None
    expected = [node.value for node in jsonpath_rfc9535.find(text, document)]
    assert repr(path.values(document)) == repr(expected)


@pytest.mark.parametrize("index", range(-5, 6))
def test_an_index_from_either_end(index: int) -> None:
    document = ["a", "b", "c"]
    expected = [node.value for node in jsonpath_rfc9535.find(f"$[{index}]", document)]
    assert JsonPath(f"$[{index}]").values(document) == expected


@pytest.mark.parametrize("text", ["$..a", "$['a','b']", "$[0:2]", "$[?@.a == 1].b", "$[0,1]"])
def test_others_are_the_librarys(text: str) -> None:
    path = JsonPath(text)
    assert path.steps is None
    document = [{"a": 1, "b": 2}, {"a": 3}]
    expected = [node.value for node in jsonpath_rfc9535.find(text, document)]
    assert path.values(document) == expected


PLAIN = ["$", "$.a", "$._b1.C", "$[*]", "$.mv[*]", "$[0]", "$.a[-1][12]", "$.a.b[*].c"]
QUOTED = ["$['a']", '$["mv"][*]', "$.*", "$.ä", "$ .a", "$.a [0]"]


@pytest.mark.parametrize("text", PLAIN + QUOTED)
def test_what_we_read_is_what_the_library_reads(text: str) -> None:
    assert JsonPath(text).steps == Query(text).steps()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "a",
        "$.",
        "$.0",
        "$.a-b",
        "$[00]",
        "$[-0]",
        "$[01]",
        "$[]",
        "$.a ",
        "$[1",
        "$[99999999999999999]",
    ],
)
def test_what_the_library_refuses_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="JSONPath"):
        Query(text)
    with pytest.raises(ValueError, match="JSONPath"):
        JsonPath(text)


def test_a_plain_path_needs_no_library() -> None:
    program = (
        "import sys; from watchd.telemetry.jsonpath import JsonPath; JsonPath('$.mv[*]');"
        "print('jsonpath_rfc9535' in sys.modules); JsonPath('$..mv');"
        "print('jsonpath_rfc9535' in sys.modules)"
    )
    told = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True)
    assert told.stdout.split() == [b"False", b"True"]


def test_a_document_is_left_as_it_was() -> None:
    document = {"mv": [1, 2]}
    JsonPath("$.mv[*]").values(document)
    assert document == {"mv": [1, 2]}
