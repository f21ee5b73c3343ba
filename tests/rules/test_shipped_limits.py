"""The rules that ship, just inside and just outside each of their limits and delays."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.rules.shipped_rules import RAISED_BY_CHANGE, RULES
from watchd.alarms.alarm import Alarm
from watchd.config import Bank, Pack
from watchd.durations import parse_duration
from watchd.figures import About, Figures
from watchd.rules.examples import run_examples
from watchd.rules.fields import FIELDS
from watchd.rules.rule import Example, Rule
from watchd.settings import bank_settings, pack_settings

# The pack of the boundary cases. The limits below follow from these numbers.
BANK = Bank(charge_voltage_v=56.0, max_charge_a=300.0)
PACK = Pack(bank="hut", nameplate_ah=200.0, max_charge_a=100.0, max_discharge_a=150.0)

# What each shipped rule does just inside and just outside each of its limits: figures that raise
# it, for as long as they must last; then what is changed, for how long, and what comes of it.
STUCK = {"voltage_v": 56.0, "current_a": 6.0, "soc_pct": 88.0}
SPREAD = {"cell_spread_mv": 55.0, "cell_max_v": 3.45, "current_a": 12.0}
COLD = {"temperature_min_degc": -2.0, "current_a": 20.0}
STALE: dict[str, Any] = {"telemetry_quality": "stale"}

RAISES: list[tuple[str, dict[str, Any], dict[str, Any], str, bool]] = [
    ("cell-spread-wide", SPREAD, {}, "119 s", False),
    ("cell-spread-wide", SPREAD, {}, "120 s", True),
    ("cell-spread-wide", SPREAD, {}, "121 s", True),
    ("cell-spread-wide", SPREAD, {"cell_spread_mv": 40.0}, "1 h", False),
    ("cell-spread-wide", SPREAD, {"cell_spread_mv": 40.001}, "1 h", True),
    ("cell-spread-wide", SPREAD, {"cell_max_v": 3.4}, "1 h", False),
    ("cell-spread-wide", SPREAD, {"cell_max_v": 3.401}, "1 h", True),
    ("cell-spread-wide", SPREAD, {"current_a": 0.0}, "1 h", False),
    ("cell-spread-wide", SPREAD, {"current_a": 0.1}, "1 h", True),
    ("soc-stuck-below-full", STUCK, {}, "899 s", False),
    ("soc-stuck-below-full", STUCK, {}, "900 s", True),
    ("soc-stuck-below-full", STUCK, {}, "901 s", True),
    ("soc-stuck-below-full", STUCK, {"voltage_v": 55.79}, "1 h", False),
    ("soc-stuck-below-full", STUCK, {"voltage_v": 55.81}, "1 h", True),
    # 0.1 and -0.02 of 200 Ah.
    ("soc-stuck-below-full", STUCK, {"current_a": 19.9}, "1 h", True),
    ("soc-stuck-below-full", STUCK, {"current_a": 20.1}, "1 h", False),
    ("soc-stuck-below-full", STUCK, {"current_a": -3.9}, "1 h", True),
    ("soc-stuck-below-full", STUCK, {"current_a": -4.1}, "1 h", False),
    ("soc-stuck-below-full", STUCK, {"soc_pct": 97.9}, "1 h", True),
    ("soc-stuck-below-full", STUCK, {"soc_pct": 98.0}, "1 h", False),
    ("charging-cold", COLD, {}, "29 s", False),
    ("charging-cold", COLD, {}, "30 s", True),
    ("charging-cold", COLD, {}, "31 s", True),
    ("charging-cold", COLD, {"temperature_min_degc": 0.0}, "1 h", False),
    ("charging-cold", COLD, {"temperature_min_degc": -0.1}, "1 h", True),
    # The cell maker's limit is in the config; 0.01 of 200 Ah.
    ("charging-cold", COLD, {"charge_min_degc": -5.0}, "1 h", False),
    ("charging-cold", COLD, {"current_a": 2.0}, "1 h", False),
    ("charging-cold", COLD, {"current_a": 2.1}, "1 h", True),
    ("telemetry-stale", STALE, {}, "59 s", False),
    ("telemetry-stale", STALE, {}, "60 s", True),
    ("telemetry-stale", STALE, {}, "61 s", True),
    ("telemetry-stale", STALE, {"telemetry_quality": "bad"}, "1 h", False),
    ("telemetry-stale", STALE, {"telemetry_quality": "good"}, "1 h", False),
    ("telemetry-stale", STALE, {"telemetry_quality": None}, "1 h", False),
]
RETURNS: list[tuple[str, dict[str, Any], dict[str, Any], str, bool]] = [
    ("cell-spread-wide", SPREAD, {"cell_spread_mv": 30.001}, "2 h", False),
    ("cell-spread-wide", SPREAD, {"cell_spread_mv": 30.0}, "599 s", False),
    ("cell-spread-wide", SPREAD, {"cell_spread_mv": 30.0}, "600 s", True),
    ("cell-spread-wide", SPREAD, {"cell_max_v": 3.4}, "599 s", False),
    ("cell-spread-wide", SPREAD, {"cell_max_v": 3.4}, "601 s", True),
    ("cell-spread-wide", SPREAD, {"current_a": 0.0}, "601 s", True),
    ("cell-spread-wide", SPREAD, {"cell_spread_mv": None}, "1 d", False),
    ("soc-stuck-below-full", STUCK, {"voltage_v": 55.21}, "1 d", False),
    ("soc-stuck-below-full", STUCK, {"voltage_v": 55.19}, "1799 s", False),
    ("soc-stuck-below-full", STUCK, {"voltage_v": 55.19}, "1800 s", True),
    ("soc-stuck-below-full", STUCK, {"soc_pct": 98.0}, "1801 s", True),
    ("soc-stuck-below-full", STUCK, {"current_a": None}, "1 d", False),
    ("charging-cold", COLD, {"temperature_min_degc": 0.9}, "1 d", False),
    ("charging-cold", COLD, {"temperature_min_degc": 1.0}, "299 s", False),
    ("charging-cold", COLD, {"temperature_min_degc": 1.0}, "300 s", True),
    ("charging-cold", COLD, {"current_a": 2.0}, "301 s", True),
    ("charging-cold", COLD, {"temperature_min_degc": None}, "1 d", False),
    ("telemetry-stale", STALE, {"telemetry_quality": "good"}, "29 s", False),
    ("telemetry-stale", STALE, {"telemetry_quality": "good"}, "30 s", True),
    ("telemetry-stale", STALE, {"telemetry_quality": "bad"}, "31 s", True),
    ("telemetry-stale", STALE, {"telemetry_quality": None}, "1 d", False),
]


def settings_of(rule: Rule) -> Figures:
    """Every name that the rule may use; known are the settings."""
    figures: Figures = dict.fromkeys(FIELDS[rule.about])
    figures.update(bank_settings(BANK) if rule.about is About.BANK else pack_settings(PACK, BANK))
    return figures


def identify(row: tuple[str, dict[str, Any], dict[str, Any], str, bool]) -> str:
    name, _, changed, lasting, _ = row
    what = ",".join(f"{n}={v}" for n, v in changed.items())
    return f"{name} {what} {lasting}"


@pytest.mark.parametrize("row", RAISES, ids=identify)
def test_a_limit_raises(row: tuple[str, dict[str, Any], dict[str, Any], str, bool]) -> None:
    name, figures, changed, lasting, raised = row
    settings = {n: v for n, v in settings_of(RULES[name]).items() if v is not None}
    given = {**settings, **figures, **changed}
    example = Example(given, parse_duration(lasting), raised)
    (outcome,) = run_examples(replace(RULES[name], examples=(example,)))
    assert outcome.raised is raised


@pytest.mark.parametrize("row", RETURNS, ids=identify)
def test_a_limit_returns(row: tuple[str, dict[str, Any], dict[str, Any], str, bool]) -> None:
    name, figures, changed, lasting, returned = row
    alarm = Alarm(RULES[name], "pack/alder", {"bank": "hut", "pack": "alder"})
    standing = {**settings_of(RULES[name]), **figures}
    alarm.evaluate(0.0, standing)
    alarm.evaluate(RULES[name].on_delay_s, standing)
    assert alarm.is_raised
    after = RULES[name].on_delay_s + 1
    alarm.evaluate(after, {**standing, **changed})
    alarm.evaluate(after + parse_duration(lasting), {**standing, **changed})
    assert alarm.is_raised is not returned


@pytest.mark.parametrize("rule", RULES.values(), ids=list(RULES))
def test_every_rule_stands_in_the_tables(rule: Rule) -> None:
    if rule.name in RAISED_BY_CHANGE:
        return
    for table in (RAISES, RETURNS):
        outcomes = {came for name, *_, came in table if name == rule.name}
        assert outcomes == {True, False}, f"{rule.name}: give its limits, inside and outside"
