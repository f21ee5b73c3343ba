"""Files with a key lost, misspelt or of another kind: loader and JSON Schema agree."""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.schemas.files import ROOT, complaints, parsed
from watchd.config import Config, parse_config
from watchd.documents import Document
from watchd.errors import WatchdError
from watchd.rules.entry import RuleEntry
from watchd.rules.loader import compile_rules

EXAMPLE: Any = parsed(ROOT / "config.example.yaml").data
HUT: Any = parsed(ROOT / "tests" / "config" / "hut.yaml").data
RULE: Any = yaml.safe_load("""
rule: cell-high
about: cell
when: cell_v > 3.5 and current_a > 0
on_delay: 10 s
off_delay: 2 min
deadband: {cell_v: 0.05}
priority: low
say: "{pack} cell {cell}: {cell_v:.3f} V"
cause: One that leads.
consequence: A trip.
response: Wait.
latching: true
suppress_when: soc_pct < 5
re_alarm_time: 2 h
group: top
annunciate: true
disabled: false
charge_limit: 0.1 * nameplate_ah
examples:
  - given: {cell_v: 3.6, current_a: 2, telemetry_quality: good, balancing: true,
            protection: [OVER_VOLT]}
    lasting: 1 min
    expect: raised
""")
STEADY = settings(deadline=None, derandomize=True, database=None, max_examples=300)
VALUES = [None, True, False, -1, 0, 1, 7, 2.5, 1e9, "", "word", [], ["word"], [7], {}, {"word": 7}]
# What the model of a file complains of when a key or a kind of value is wrong, or out of bounds.
OF_THE_MODEL = {
    "extra_forbidden", "missing", "literal_error", "too_short", "string_too_short",
    "string_too_long", "float_type", "int_type", "int_from_float", "string_type", "bool_type",
    "dict_type", "list_type", "model_type", "model_attributes_type", "greater_than",
    "greater_than_equal", "less_than", "less_than_equal",
}  # fmt: skip


def model_refuses(kind: str, data: Any) -> bool:
    """Whether the model itself complains; what its own checks find is left out."""
    try:
        (Config if kind == "config" else RuleEntry).model_validate(data)
    except ValidationError as error:
        return any(detail["type"] in OF_THE_MODEL for detail in error.errors())
    return False


def loader_refuses(kind: str, data: Any) -> bool:
    try:
        if kind == "config":
            parse_config(Document("config.yaml", data, (), {}, {}))
        else:
            compile_rules([("rules.yaml", yaml.safe_dump([data]))])
    except WatchdError:
        return True
    return False


def check(kind: str, data: Any) -> None:
    """What JSON Schema refuses does not load; what the model refuses, JSON Schema refuses."""
    found = complaints(kind, data if kind == "config" else [data])
    if found:
        assert loader_refuses(kind, data), found
    else:
        assert not model_refuses(kind, data)


def places(data: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The path of every node below the root."""
    for step, value in data.items() if isinstance(data, dict) else enumerate(data):
        yield (*path, step)
        if isinstance(value, dict | list):
            yield from places(value, (*path, step))


def changed(data: Any, path: tuple[Any, ...], change: str, value: Any = None) -> Any:
    """A copy with one node lost, misspelt, doubled under another name, or replaced."""
    copy = deepcopy(data)
    parent = copy
    for step in path[:-1]:
        parent = parent[step]
    last = path[-1]
    if change == "replace":
        parent[last] = value
    elif change == "lose":
        del parent[last]
    elif isinstance(parent, dict):
        parent[f"{last}s"] = deepcopy(parent[last])
        if change == "misspell":
            del parent[last]
    return copy


FILES = [("config", EXAMPLE), ("config", HUT), ("rules", RULE)]
IDS = ["example", "hut", "rule"]


@pytest.mark.parametrize(("kind", "data"), FILES, ids=IDS)
def test_the_files_are_right_as_they_are(kind: str, data: Any) -> None:
    assert not loader_refuses(kind, data)
    check(kind, data)


@pytest.mark.parametrize(("kind", "data"), FILES, ids=IDS)
@pytest.mark.parametrize("change", ["lose", "misspell", "double"])
def test_each_key_lost_misspelt_or_doubled(kind: str, data: Any, change: str) -> None:
    for path in places(data):
        check(kind, changed(data, path, change))


@pytest.mark.parametrize(("kind", "data"), FILES, ids=IDS)
def test_each_value_of_another_kind(kind: str, data: Any) -> None:
    for path in places(data):
        for value in VALUES:
            if path[-1] == "first_cell" and isinstance(value, bool):
                continue  # the loader takes yes and no for 1 and 0 there; an editor may say so
            check(kind, changed(data, path, "replace", value))


TEXTS = ["a", "A", "7", "-a", "a-", "a_b", "a b", "é", "a" * 40, "a" * 41, "a" * 60, "a" * 61, ""]
TOPICS = [
    "hut/a",
    "hut/{pack}",
    "hut/{pack}/x",
    "hut/{pakc}",
    "a/+",
    "#",
    "a/{",
    "a/}",
    "{pack}-x",
    "",
]
PREFIXES = ["watchd", "a/b", "a/", "/a", "$a", "a+", "#", "a b", ""]
DURATIONS = [
    "30 s",
    "30s",
    " 5 min ",
    "1.5 h",
    "14 d",
    "0 s",
    "1 w",
    "-5 s",
    "s",
    "5",
    ".5 s",
    "1. s",
]
EVENTS = ["OVER_VOLT", "OVER_VOLT_ALARM", "over_volt", "OVERVOLT", ""]
SLOTS: list[tuple[str, Any, tuple[Any, ...], list[str]]] = [
    ("rules", RULE, ("rule",), TEXTS),
    ("rules", RULE, ("group",), TEXTS),
    ("rules", RULE, ("on_delay",), DURATIONS),
    ("rules", RULE, ("examples", 0, "given", "telemetry_quality"), ["good", "bad", "stael", ""]),
    ("config", HUT, ("prefix",), PREFIXES),
    ("config", HUT, ("banks", "hut", "full_hold"), DURATIONS),
    ("config", HUT, ("sources", 0, "topic"), TOPICS),
    ("config", HUT, ("sources", 0, "json", "protection", "bits", 0), EVENTS),
    ("config", HUT, ("broker", "protocol"), ["3.1.1", "5", "3", "4", "5.0", ""]),
]


@pytest.mark.parametrize(("kind", "data", "path", "texts"), SLOTS, ids=lambda x: str(x)[:40])
def test_each_form_of_text(kind: str, data: Any, path: tuple[Any, ...], texts: list[str]) -> None:
    """Of these, JSON Schema takes exactly what the loader takes."""
    for text in texts:
        file = changed(data, path, "replace", text)
        seen = bool(complaints(kind, file if kind == "config" else [file]))
        assert seen == loader_refuses(kind, file), text


@pytest.mark.parametrize("name", TEXTS)
def test_the_name_of_a_pack_and_of_a_bank(name: str) -> None:
    config = deepcopy(HUT)
    config["packs"] = {name: {**config["packs"]["alder"], "bank": name}}
    config["banks"] = {name: config["banks"]["hut"]}
    assert bool(complaints("config", config)) == loader_refuses("config", config)


@pytest.mark.parametrize("bit", [-1, 0, 1, 9, 10, 59, 60, 63, 64, 100])
def test_the_number_of_a_bit(bit: int) -> None:
    config = deepcopy(HUT)
    config["sources"][0]["json"]["protection"]["bits"] = {bit: "OVER_VOLT"}
    assert bool(complaints("config", config)) == loader_refuses("config", config)


STATE = "hut/{pack}/state"
SOURCES: list[Any] = [
    {"topic": STATE, "json": {"voltage_v": "$.v"}},
    {"topic": STATE, "json": {"voltage_v": "$.v"}, "pack": "alder"},
    {"topic": "hut/a", "json": {"voltage_v": "$.v"}, "pack": "alder"},
    {"topic": "hut/a", "json": {"voltage_v": "$.v"}},
    {"topic": STATE},
    {"topic": STATE, "json": None, "value": "voltage_v", "pack": None},
    {"topic": STATE, "json": {"voltage_v": "$.v"}, "value": "voltage_v"},
    {"topic": STATE, "json": {"voltage_v": {"path": "$.v", "name": "voltage_v"}}},
    {"topic": STATE, "json": {"voltage_v": {"path": "$.v", "scale": 0}}},
    {"topic": STATE, "json": {"voltage_v": {"scale": 0.1}}},
    {"topic": STATE, "json": {"voltage_v": ["$.v"]}},
    {"topic": STATE, "json": {"voltage_v": ["$.v", "$.w"]}},
    {"topic": STATE, "json": {"voltage_v": {"path": "$.v", "when_true": "OVER_VOLT"}}},
    {"topic": STATE, "json": {"voltage_v": {"path": "$.v", "words": {}}}},
    {"topic": STATE, "json": {"protection": "$.p"}},
    {"topic": STATE, "json": {"protection": {"path": "$.p", "words": {"ov": "OVER_VOLT"}}}},
    {"topic": STATE, "json": {"protection": {"path": "$.p", "when_true": "OVER_VOLT",
                                             "words": {"ov": "OVER_VOLT"}}}},
    {"topic": STATE, "json": {"protection": [{"path": "$.p", "when_true": "OVER_VOLT"},
                                             {"path": "$.q", "when_true": "OVER_TEMP"}]}},
    {"topic": STATE, "value": {"name": "current_a", "scale": 0.1}},
    {"topic": STATE, "value": {"scale": 0.1}},
    {"topic": STATE, "value": {"name": "current_a", "path": "$"}},
    {"topic": STATE, "value": {"name": "current_a", "when_true": "OVER_VOLT"}},
    {"topic": STATE, "value": {"name": "protection", "when_true": "OVER_VOLT"}},
    {"topic": STATE, "value": "protection"},
    {"topic": STATE, "value": "time"},
]  # fmt: skip
BROKERS: list[Any] = [
    {"user": "watchd", "password_file": "x"},
    {"user": "watchd", "password_credential": "x"},
    {"password_file": "x"},
    {"user": None, "password_credential": "x"},
    {"user": "watchd", "password_file": "x", "password_credential": "x"},
    {"user": "watchd", "password_file": "x", "password_credential": ""},
    {"user": "watchd", "password": "x"},
]


@pytest.mark.parametrize(
    ("section", "value"),
    [("sources", [source]) for source in SOURCES] + [("broker", broker) for broker in BROKERS],
    ids=str,
)
def test_which_keys_of_a_section_go_together(section: str, value: Any) -> None:
    config = {**deepcopy(HUT), section: value}
    assert bool(complaints("config", config)) == loader_refuses("config", config)


@st.composite
def several(draw: st.DrawFn) -> tuple[str, Any]:
    """Two or three changes at once."""
    kind, data = draw(st.sampled_from(FILES))
    for _ in range(draw(st.integers(2, 3))):
        known = list(places(data))
        if known:
            change = draw(st.sampled_from(["lose", "misspell", "double", "replace"]))
            value = draw(st.sampled_from(VALUES))
            path = draw(st.sampled_from(known).filter(lambda p: p[-1] != "first_cell"))
            data = changed(data, path, change, deepcopy(value))
    return kind, data


@STEADY
@given(several())
def test_several_changes_at_once(file: tuple[str, Any]) -> None:
    check(*file)
