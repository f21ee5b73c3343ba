"""The reader against the long way: the same where it reads, and the rest is left to that."""

from __future__ import annotations

import json
import random
from collections.abc import Mapping
from typing import Any

import pytest

from tests.scene import config_of
from watchd.telemetry.conversion import MOST_KEPT, Numbers
from watchd.telemetry.document import PayloadError
from watchd.telemetry.mapping import SourceMapping
from watchd.telemetry.message import Message

HEAD = """
banks:
  hut: {charge_voltage_v: 14.0}
packs:
  alder: {bank: hut, nameplate_ah: 200, max_charge_a: 100, cells_in_series: 4}
sources:
"""
SOURCES = [
    """  - topic: hut/{pack}/x
    json:
      voltage_v: $.v
      current_a: {path: $.a, scale: -1}
      soc_pct: {path: '$.deep.soc[0]', offset: 0.5}
      cell_v: {path: '$.mv[*]', scale: 0.001}
      temperature_degc: $.t
      charge_allowed: $.chg
      balancing: $.deep.bal
      protection: [{path: $.p, bits: {0: OVER_VOLT, 3: UNDER_TEMP, 63: OVER_TEMP}},
                   {path: $.q, words: {cov: OVER_VOLT, cuv: UNDER_VOLT}},
                   {path: $.r, when_true: UNDER_TEMP}]
      setting.overvoltage_v: {path: $.ov, scale: 0.001}
      time: $.at
""",
    """  - topic: hut/{pack}/x
    json:
      cell_v: {path: $.mv, scale: 0.001}
      temperature_degc: '$.cells[*].t'
      voltage_v: "$['v']"
      time: "$.times[*]"
""",
    """  - topic: hut/{pack}/x
    json:
      cell_v: '$.cells[*].v'
      temperature_degc: '$.t[*]'
      soc_pct: {path: $.soc, scale: 1.0e-20}
""",
    """  - topic: hut/{pack}/x
    json: {cell_v: {path: '$..mv', scale: 0.001}, voltage_v: $.v}
""",
]
GOOD: dict[str, Any] = {
    "v": 13.2,
    "a": -4.25,
    "soc": 10**21,
    "deep": {"soc": [71], "bal": "no"},
    "mv": [3300, 3301, 3300, 3302],
    "t": [17.5, 18],
    "cells": [{"v": 3.3, "t": 20}] * 4,
    "chg": True,
    "p": 8,
    "q": ["cov"],
    "r": False,
    "ov": 3650,
    "at": 1790000000.5,
    "times": [1790000000, 2],
}
ODD: list[Any] = [
    None, True, False, 0, 1, 2, -0.0, 0.0, 1.0, 3.3, 3300, 3300.0, -1, 255, 1e308, 10**20, 10**400,
    "", "on", "0", "cov", "odd", "2026-07-01T10:00:00Z", "2026-07-01", [], [None], [True], [[1, 2]],
    [3.3] * 4, [3300] * 4, [3300] * 5, [1, True, 1.0, 3300], [20] * 33, {}, {"soc": 1},
    {"soc": [1]},
    {"cov": True}, {"cov": 2}, {"soc": [None], "bal": 1}, [{"v": 3}],
    [{"v": 3.25}, {"v": 3.25}] * 2,
    {"a": 3300, "b": 3300, "c": 3300, "d": 3300}, 1 << 63, (1 << 64) + 1, 9.0, 9.5, "x" * 100,
]  # fmt: skip


def outcome(mapping: SourceMapping, payload: bytes, *, long: bool) -> str:
    """A message as text, which tells 1 from 1.0 and True; or why it is refused."""
    try:
        if long:
            message = mapping.decode_document("alder", json.loads(payload))
        else:
            message = mapping.decode({"pack": "alder"}, payload)
    except PayloadError as error:
        return str(error)
    return told(message)


def told(message: Message) -> str:
    parts: list[Mapping[str, Any]] = [
        message.measured,
        message.flags,
        message.protection,
        message.settings,
    ]
    rest = [message.pack, message.measured_at, message.unmapped, message.cell, message.sensor]
    # The stream matters to a document that has a time.
    stream = message.stream if message.measured_at is not None else ""
    return repr([[sorted(p.items()) for p in parts], sorted(message.names), rest, stream])


def changed(rng: random.Random) -> dict[str, Any]:
    found = dict(GOOD)
    for _ in range(rng.randint(0, 3)):
        name = rng.choice(list(GOOD))
        if rng.random() < 0.2:
            found.pop(name, None)
        elif rng.random() < 0.3 and isinstance(found.get(name), list):
            found[name] = [rng.choice([*found[name], rng.choice(ODD)]) for _ in found[name]]
        else:
            found[name] = rng.choice(ODD)
    return found


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize("number", [2_000, pytest.param(200_000, marks=pytest.mark.long)])
def test_the_reader_reads_what_the_long_way_does(source: str, number: int) -> None:
    config = config_of(HEAD + source)
    mapping = SourceMapping(0, config.sources[0], config.packs)
    rng = random.Random(9)
    taken = 0
    for _ in range(number):
        payload = json.dumps(changed(rng)).encode()
        expected = outcome(mapping, payload, long=True)
        assert outcome(mapping, payload, long=False) == expected, payload
        taken += expected.startswith("[")
    assert number // 5 < taken < number


@pytest.mark.parametrize(
    ("source", "document"),
    [
        (SOURCES[0], GOOD),
        (SOURCES[0], {"v": 13.2, "a": None, "mv": [3300] * 4}),
        (SOURCES[1], GOOD),
        (SOURCES[2], GOOD),
    ],
)
def test_what_is_in_order_does_not_go_the_long_way(
    source: str, document: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    config = config_of(HEAD + source)
    mapping = SourceMapping(0, config.sources[0], config.packs)
    monkeypatch.delattr(SourceMapping, "decode_document")
    assert mapping.decode({"pack": "alder"}, json.dumps(document).encode()).measured


VALUES = [
    ("{name: cell_v, scale: 0.001}", "hut/{pack}/{cell}"),
    ("temperature_degc", "hut/{pack}/{sensor}"),
    ("{name: current_a, scale: -0.1}", "hut/{pack}"),
]


@pytest.mark.parametrize(("value", "topic"), VALUES)
def test_a_plain_number_is_read_as_the_long_way_reads_it(
    value: str, topic: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    config = config_of(f"{HEAD}  - {{topic: '{topic}', value: {value}}}")
    payloads = [json.dumps(raw).encode() for raw in ODD] + [b"", b"nan", b"\xff", b" 20 ", b"1e400"]
    captures = [
        {"pack": "alder", "cell": "1", "sensor": "s" * 50},
        {"pack": "alder", "cell": "9", "sensor": "é"},
        {"pack": "alder", "cell": "²", "sensor": "x"},
    ]
    named = [
        {n: c for n, c in one.items() if n == "pack" or f"{{{n}}}" in topic} for one in captures
    ]

    def all_of(mapping: SourceMapping) -> list[str]:
        found = []
        for payload in payloads * 2:
            for one in named:
                try:
                    found.append(told(mapping.decode(one, payload)))
                except PayloadError as error:
                    found.append(str(error))
        return found

    found = all_of(SourceMapping(0, config.sources[0], config.packs))
    monkeypatch.setattr("watchd.telemetry.mapping.value_reader_of", lambda *_: None)
    assert found == all_of(SourceMapping(0, config.sources[0], config.packs))
    assert any(text.startswith("[") for text in found)


def test_true_is_not_found_in_the_place_of_one() -> None:
    field = config_of(f"{HEAD}{SOURCES[0]}").sources[0].json_
    assert field is not None
    own = Numbers("current_a", field["current_a"][0])
    for one in (1, 1.0, 0, 0.0):
        assert own[one] == -one
    for other in (True, False):
        with pytest.raises(PayloadError, match="true/false"):
            own[other]


def test_numbers_are_kept_in_bounded_memory() -> None:
    field = config_of(f"{HEAD}{SOURCES[0]}").sources[0].json_
    assert field is not None
    own = Numbers("current_a", field["current_a"][0])
    for raw in range(2, 3 * MOST_KEPT):
        assert own[raw / 64] == round(-raw / 64, 6)
        assert len(own) <= MOST_KEPT


def test_a_time_alone_is_no_message() -> None:
    config = config_of(f"{HEAD}  - {{topic: 'hut/{{pack}}', json: {{time: $.at}}}}")
    mapping = SourceMapping(0, config.sources[0], config.packs)
    with pytest.raises(PayloadError, match="none of the mapped values"):
        mapping.decode({"pack": "alder"}, b'{"at": 1790000000}')
