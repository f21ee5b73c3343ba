"""Payload to readings: both shapes, scale, offset, sign, masks, words, time."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.scene import config_of
from watchd.telemetry.mapping import PayloadError, SourceMapping

HEAD = """
banks:
  hut: {charge_voltage_v: 14.0}
packs:
  alder: {bank: hut, nameplate_ah: 200, max_charge_a: 100, cells_in_series: 4}
sources:
"""


def decode(source: str, payload: Any, topic: str = "hut/alder/x") -> dict[str, Any]:
    """What one source makes of a payload: name (with index) to value, and `time`."""
    config = config_of(HEAD + source)
    mapping = SourceMapping(0, config.sources[0], config.packs)
    captures = mapping.pattern.match(topic)
    assert captures is not None
    raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    message = mapping.decode(captures, raw)
    found: dict[str, Any] = {**message.measured, **message.flags}
    found.update({f"setting.{name}": v for name, v in message.settings.items()})
    found.update({f"protection[{k[-1]}]": words for k, words in message.protection.items()})
    if message.cell is not None:
        found[f"cell_v[{message.cell[0]}]"] = message.cell[1]
    if message.sensor is not None:
        found[f"temperature_degc[{message.sensor[0]}]"] = message.sensor[1]
    assert {name.partition("[")[0] for name in found} == message.names
    if message.measured_at is not None:
        found["time"] = message.measured_at
    if message.unmapped:
        found["unmapped"] = list(message.unmapped)
    return found


def document(mapping: str) -> str:
    return f"  - {{topic: 'hut/{{pack}}/x', json: {{{mapping}}}}}"


def value(mapping: str) -> str:
    return f"  - {{topic: 'hut/{{pack}}/x', value: {mapping}}}"


@pytest.mark.parametrize(
    ("source", "payload", "expected"),
    [
        # one document
        (document("voltage_v: $.volts"), {"volts": 13.2}, {"voltage_v": 13.2}),
        (document("voltage_v: {path: $.mv, scale: 0.001}"), {"mv": 13245}, {"voltage_v": 13.245}),
        (document("current_a: {path: $.out, scale: -0.1}"), {"out": 253}, {"current_a": -25.3}),
        (document("current_a: {path: $.out, scale: -1}"), {"out": 0}, {"current_a": 0.0}),
        (
            document("temperature_degc: {path: $.k, offset: -273.15}"),
            {"k": [298.15, 271.15]},
            {"temperature_degc": (25.0, -2.0)},
        ),
        (
            document("temperature_degc: '$.p[*].c'"),
            {"p": [{"c": 7}, {"c": 8.5}]},
            {"temperature_degc": (7.0, 8.5)},
        ),
        (document("temperature_degc: $.t"), {"t": 21}, {"temperature_degc": (21.0,)}),
        (
            document("cell_v: {path: '$.mv[*]', scale: 0.001}"),
            {"mv": [3312, 3313, 3314, 3312]},
            {"cell_v": (3.312, 3.313, 3.314, 3.312)},
        ),
        (document("cell_v: $.v"), {"v": [3.3, 3.3, 3.3, 3.4]}, {"cell_v": (3.3, 3.3, 3.3, 3.4)}),
        (
            document("cell_v: '$.m[*].cells[*]'"),
            {"m": [{"cells": [3.1, 3.2]}, {"cells": [3.3, 3.4]}]},
            {"cell_v": (3.1, 3.2, 3.3, 3.4)},
        ),
        (document("charge_allowed: $.c"), {"c": 1}, {"charge_allowed": True}),
        (document("charge_allowed: $.c"), {"c": "OFF"}, {"charge_allowed": False}),
        (
            document("setting.overvoltage_v: {path: $.ov, scale: 0.001}"),
            {"ov": 3650},
            {"setting.overvoltage_v": 3.65},
        ),
        (
            document(
                "setting.undervoltage_v: $.uv, setting.undervoltage_recovery_v: $.back, "
                "setting.balancer_from_v: {path: $.bal, scale: 0.001}"
            ),
            {"uv": 2.6, "back": 2.9, "bal": 3400},
            {
                "setting.undervoltage_v": 2.6,
                "setting.undervoltage_recovery_v": 2.9,
                "setting.balancer_from_v": 3.4,
            },
        ),
        # protection in all the ways of the field
        (
            document("protection: {path: $.p, bits: {0: OVER_VOLT, 3: UNDER_TEMP}}"),
            {"p": 9},
            {"protection[0]": ("OVER_VOLT", "UNDER_TEMP")},
        ),
        (
            document("protection: {path: $.p, bits: {1: OVER_VOLT}}"),
            {"p": 1},
            {"protection[0]": ()},
        ),
        (
            document("protection: {path: $.p, words: {cov: OVER_VOLT}}"),
            {"p": "cov"},
            {"protection[0]": ("OVER_VOLT",)},
        ),
        (
            document("protection: {path: $.p, words: {cov: OVER_VOLT}}"),
            {"p": ["cov", "odd"]},
            {"protection[0]": ("OVER_VOLT",), "unmapped": ["odd"]},
        ),
        (
            document("protection: {path: '$.p[*]', words: {cov: OVER_VOLT, cuv: UNDER_VOLT}}"),
            {"p": ["cuv", "cov"]},
            {"protection[0]": ("OVER_VOLT", "UNDER_VOLT")},
        ),
        (
            document("protection: {path: $.p, words: {cov: OVER_VOLT, cuv: UNDER_VOLT}}"),
            {"p": {"cov": False, "cuv": True}},
            {"protection[0]": ("UNDER_VOLT",)},
        ),
        (
            document(
                "protection: [{path: $.a, when_true: OVER_VOLT}, {path: $.b, when_true: OVER_TEMP}]"
            ),
            {"a": True, "b": False},
            {"protection[0]": ("OVER_VOLT",), "protection[1]": ()},
        ),
        (
            document("protection: {path: $.p, words: {cov: OVER_VOLT}}"),
            {"p": ""},
            {"protection[0]": ()},
        ),
        # time of measurement
        (
            document("voltage_v: $.v, time: $.t"),
            {"v": 13, "t": 1790000000.5},
            {"voltage_v": 13.0, "time": 1790000000.5},
        ),
        (
            document("voltage_v: $.v, time: {path: $.t, scale: 0.001}"),
            {"v": 13, "t": 1790000000500},
            {"voltage_v": 13.0, "time": 1790000000.5},
        ),
        # what is not in this message, or not known to the BMS, is left as it was
        (
            document("voltage_v: $.v, soc_pct: $.soc, current_a: $.a"),
            {"v": 13, "soc": None},
            {"voltage_v": 13.0},
        ),
        # one plain value
        (value("voltage_v"), b"13.25", {"voltage_v": 13.25}),
        (value("{name: current_a, scale: -0.1}"), b" 253\n", {"current_a": -25.3}),
        (value("charge_allowed"), b"on", {"charge_allowed": True}),
        (value("charge_allowed"), b"false", {"charge_allowed": False}),
        (value("protection"), b"OVER_VOLT", {"protection[0]": ("OVER_VOLT",)}),
        (value("protection"), b'["UNDER_VOLT_ALARM"]', {"protection[0]": ("UNDER_VOLT_ALARM",)}),
        (
            value("{name: protection, words: {cell high: OVER_VOLT}}"),
            b"cell high",
            {"protection[0]": ("OVER_VOLT",)},
        ),
        (
            value("{name: protection, bits: {2: OVER_TEMP}}"),
            b"4",
            {"protection[0]": ("OVER_TEMP",)},
        ),
        (
            value("{name: protection, when_true: OVER_TEMP}"),
            b"1",
            {"protection[0]": ("OVER_TEMP",)},
        ),
        (value("cell_v"), b"[3.3, 3.3, 3.3, 3.3]", {"cell_v": (3.3, 3.3, 3.3, 3.3)}),
    ],
)
def test_values_arrive_in_our_names_units_and_sign(
    source: str, payload: Any, expected: dict[str, Any]
) -> None:
    assert decode(source, payload) == expected


def test_a_sign_turned_round_makes_no_minus_zero() -> None:
    found = decode(document("current_a: {path: $.out, scale: -1}"), {"out": 0})
    assert str(found["current_a"]) == "0.0"


def test_a_cell_and_a_sensor_are_named_by_their_topic() -> None:
    cell = "  - {topic: 'hut/{pack}/c{cell}', value: cell_v, first_cell: 0}"
    assert decode(cell, b"3.3", "hut/alder/c0") == {"cell_v[0]": 3.3}
    assert decode(cell, b"3.3", "hut/alder/c3") == {"cell_v[3]": 3.3}
    sensor = "  - {topic: 'hut/{pack}/t/{sensor}', value: temperature_degc}"
    assert decode(sensor, b"19.5", "hut/alder/t/mid") == {"temperature_degc[mid]": 19.5}


def test_their_name_of_a_pack_becomes_ours() -> None:
    source = "  - {topic: 'bms/{pack}', pack_names: {'07': alder}, value: voltage_v}"
    assert decode(source, b"13.1", "bms/07") == {"voltage_v": 13.1}
    with pytest.raises(PayloadError, match="unknown pack"):
        decode(source, b"13.1", "bms/08")


@pytest.mark.parametrize(
    ("source", "payload", "reason"),
    [
        (document("voltage_v: $.v"), b"nope", "not JSON: expected ident"),
        (document("voltage_v: $.v"), b"", "not JSON: EOF while parsing a value"),
        (document("voltage_v: $.v"), b"\xff\xfe{}", "not UTF-8"),
        (document("voltage_v: $.v"), b'{"v": NaN}', "not JSON: expected value"),
        (document("voltage_v: $.v"), b'{"v": 1e999}', "voltage_v: outside 0 to 160"),
        (document("voltage_v: $.v"), b"[" * 3000, "nested too deep"),
        (document("voltage_v: $.v"), {"v": "13.2"}, "voltage_v: text where a number belongs"),
        (document("voltage_v: $.v"), {"v": True}, "voltage_v: true/false where a number belongs"),
        (document("voltage_v: $.v"), {"v": [13]}, "voltage_v: not a number where a number belongs"),
        (
            document("voltage_v: '$.v[*]'"),
            {"v": [13, 14]},
            "voltage_v: the path finds 2 values, not one",
        ),
        (document("voltage_v: $.v"), {"x": 1}, "none of the mapped values is in this document"),
        (document("voltage_v: $.v"), [1, 2], "none of the mapped values is in this document"),
        (document("voltage_v: $.v"), {"v": 10**400}, "voltage_v: outside 0 to 160"),
        (document("cell_v: $.c"), {"c": [3.3] * 3}, "cell_v: 3 values for 4 cells"),
        (document("cell_v: $.c"), {"c": [3.3] * 5}, "cell_v: 5 values for 4 cells"),
        (
            document("cell_v: $.c"),
            {"c": [3.3, None, 3.3, 3.3]},
            "cell_v: null where a number belongs",
        ),
        (document("cell_v: $.c"), {"c": [3.3, -3.3, 3.3, 3.3]}, "cell_v: outside 0.5 to 5"),
        (document("cell_v: $.c"), {"c": [3.3, 40, 3.3, 3.3]}, "cell_v: outside 0.5 to 5"),
        (document("temperature_degc: $.t"), {"t": []}, "temperature_degc: 0 values"),
        (document("temperature_degc: $.t"), {"t": [999]}, "temperature_degc: outside -60 to 150"),
        (document("soc_pct: $.s"), {"s": 255}, "soc_pct: outside -5 to 110"),
        (document("charge_allowed: $.c"), {"c": 2}, "charge_allowed: neither yes nor no"),
        (document("charge_allowed: $.c"), {"c": "perhaps"}, "charge_allowed: neither yes nor no"),
        (
            document("protection: {path: $.p, bits: {0: OVER_VOLT}}"),
            {"p": -1},
            "protection: not a bit mask",
        ),
        (
            document("protection: {path: $.p, bits: {0: OVER_VOLT}}"),
            {"p": 1.5},
            "protection: not a bit mask",
        ),
        (
            document("protection: {path: $.p, bits: {0: OVER_VOLT}}"),
            {"p": "1"},
            "protection: not a bit mask",
        ),
        (
            document("protection: {path: $.p, words: {x: OVER_VOLT}}"),
            {"p": [1]},
            "protection: neither text nor a list of texts",
        ),
        (document("voltage_v: $.v, time: $.t"), {"v": 13, "t": "yesterday"}, "time: not RFC 3339"),
        (
            document("voltage_v: $.v, time: $.t"),
            {"v": 13, "t": "2026-07-01T10:00:00"},
            "time: without a time zone",
        ),
        (
            document("voltage_v: $.v, time: $.t"),
            {"v": 13, "t": [1]},
            "time: neither RFC 3339 nor Unix seconds",
        ),
        (value("voltage_v"), b"13,2", "voltage_v: not a number"),
        (value("voltage_v"), b"nan", "voltage_v: not a number"),
        (value("voltage_v"), b'"13.2"', "voltage_v: text where a number belongs"),
        (value("voltage_v"), b"\xff", "not UTF-8"),
        (value("charge_allowed"), b"maybe", "charge_allowed: neither yes nor no"),
    ],
)
def test_what_cannot_be_a_measurement_is_refused_with_the_reason(
    source: str, payload: Any, reason: str
) -> None:
    with pytest.raises(PayloadError) as error:
        decode(source, payload)
    assert str(error.value) == reason


@pytest.mark.parametrize("cell", ["0", "5", "x", "-1", "1.5", "²"])
def test_a_cell_that_the_pack_has_not_is_refused(cell: str) -> None:
    source = "  - {topic: 'hut/{pack}/c/{cell}', value: cell_v}"
    with pytest.raises(PayloadError) as error:
        decode(source, b"3.3", f"hut/alder/c/{cell}")
    assert str(error.value) == f"cell_v: cell '{cell}' of a pack with 4 cells"
