"""Ranges of figures: as wide as what config and telemetry let in, and never narrower."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest

from tests.estimators.moment import sample, setting
from tests.rules.shipped_rules import RULES
from tests.truth import Watched, healthy, simulate
from watchd.config import Balancer, Bank, Bms, Pack, Temperature
from watchd.estimators import ESTIMATORS
from watchd.figures import About, Figure, Figures, Kind
from watchd.rules.examples import run_examples
from watchd.rules.fields import FIELDS
from watchd.settings import pack_settings
from watchd.telemetry.names import RANGES

PACK = FIELDS[About.PACK]
NUMBERS = {
    f"{about}: {name}": figure
    for about, figures in FIELDS.items()
    for name, figure in figures.items()
    if figure.kind is Kind.NUMBER
}
# Where the config has it, by the name of its figure.
IN_CONFIG: dict[str, tuple[type[Any], str]] = {
    "charge_voltage_v": (Bank, "charge_voltage_v"),
    "cells_in_series": (Pack, "cells_in_series"),
    "nameplate_ah": (Pack, "nameplate_ah"),
    "max_charge_a": (Pack, "max_charge_a"),
    "max_discharge_a": (Pack, "max_discharge_a"),
    "overvoltage_v": (Bms, "overvoltage_v"),
    "overvoltage_recovery_v": (Bms, "overvoltage_recovery_v"),
    "undervoltage_v": (Bms, "undervoltage_v"),
    "undervoltage_recovery_v": (Bms, "undervoltage_recovery_v"),
    "full_v": (Bms, "full_v"),
    "balancer_current_a": (Balancer, "current_a"),
    "balancer_from_v": (Balancer, "from_v"),
    "charge_min_degc": (Temperature, "charge_min_degc"),
    "charge_max_degc": (Temperature, "charge_max_degc"),
}


def ends(model: type[Any], key: str) -> tuple[float, float]:
    """The bounds that the config's schema sets on a key."""
    found = model.model_json_schema()["properties"][key]
    for choice in (found, *found.get("anyOf", ())):
        low = choice.get("minimum", choice.get("exclusiveMinimum"))
        high = choice.get("maximum", choice.get("exclusiveMaximum"))
        if low is not None and high is not None:
            return low, high
    raise AssertionError(f"{key} has no bounds")


@pytest.mark.parametrize("name", IN_CONFIG)
def test_settings_have_the_ranges_of_the_config(name: str) -> None:
    figure = PACK[name]
    assert (figure.low, figure.high) == ends(*IN_CONFIG[name])


@pytest.mark.parametrize("name", ["charge_voltage_v", "max_charge_a"])
def test_those_of_a_bank_too(name: str) -> None:
    figure = FIELDS[About.BANK][name]
    assert (figure.low, figure.high) == ends(Bank, name)


@pytest.mark.parametrize("figure", NUMBERS.values(), ids=list(NUMBERS))
def test_a_range_is_in_order_and_an_error_is_never_negative(figure: Figure) -> None:
    if figure.low is not None and figure.high is not None:
        assert figure.low < figure.high
    if "_sigma_" in figure.name:
        assert figure.low == 0


def test_what_is_measured_has_the_range_of_telemetry_and_is_noisy() -> None:
    measured = {"voltage_v": "voltage_v", "current_a": "current_a", "cell_max_v": "cell_v"}
    measured |= {"temperature_min_degc": "temperature_degc", "soc_pct": "soc_pct"}
    for name, telemetry in measured.items():
        found = PACK[name]
        assert (found.low, found.high) == (RANGES[telemetry].low, RANGES[telemetry].high)
        assert found.noisy is (name != "soc_pct")  # a count of the BMS


def assert_within(figures: Figures) -> None:
    for name, value in figures.items():
        figure = PACK[name]
        if figure.kind is Kind.NUMBER and isinstance(value, int | float):
            assert figure.low is None or value >= figure.low, (name, value)
            assert figure.high is None or value <= figure.high, (name, value)


def test_what_is_computed_of_a_bank_stays_within() -> None:
    bank = healthy(1, [230.0, 120.0], first_seed=4)
    bank.charge[0, 0, 3] += 0.02
    bank.joint_mohm[0, 1, 7] = 0.5
    for _, _, figures in Watched(simulate(bank, days=1), 0).run():
        assert_within(figures)


def test_what_is_computed_of_anything_that_the_gate_lets_in_stays_within() -> None:
    rng, told = Random(61851), setting(cells_in_series=4)
    estimators = [made(told) for made in ESTIMATORS]
    at, ways = 0.0, {name: (found.low, found.high) for name, found in RANGES.items()}
    figures: Figures = dict.fromkeys(PACK)
    figures.update(pack_settings(told.pack, told.bank))

    def any_of(name: str) -> float:
        low, high = ways[name]
        usual = {"voltage_v": 13.3, "current_a": 20.0, "soc_pct": 60.0, "cell_v": 3.33}
        return rng.choice([low, high, rng.uniform(low, high), *[usual.get(name, 20.0)] * 5])

    for _ in range(4000):
        at += rng.choice([1.0, 10.0, 10.0, 60.0, 900.0, 7200.0])
        known: dict[str, Any] = {
            name: any_of(name) for name in ("voltage_v", "current_a", "soc_pct")
        }
        known["cell_v"] = tuple(any_of("cell_v") for _ in range(4))
        known["temperature_degc"] = (any_of("temperature_degc"),)
        known = {name: value for name, value in known.items() if rng.random() < 0.9}
        seen = sample(at, renewed=frozenset(known), **known)
        figures.update(current_a=seen.current_a, voltage_v=seen.voltage_v, soc_pct=seen.soc_pct)
        for estimator in estimators:
            estimator.update(seen, figures)
        assert_within(figures)


def test_what_examples_give_is_in_range() -> None:
    for rule in RULES.values():
        for outcome in run_examples(rule):
            for name, value in outcome.example.steps[-1].given.items():
                figure = FIELDS[rule.about][name]
                if figure.kind is Kind.NUMBER and value is not None:
                    assert (figure.low is None) or figure.low <= value
                    assert (figure.high is None) or value <= figure.high
