"""Every estimator that ships, on samples of any kind: none raises, poisons itself or forgets.

The classes are those of `ESTIMATORS`; a new one is held to it too.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.estimators.moment import START, sample, setting
from tests.truth import Watched, healthy, simulate
from watchd.estimators import ESTIMATORS, PACK_FIGURES
from watchd.estimators.estimator import Estimator
from watchd.figures import Figures
from watchd.settings import pack_settings
from watchd.telemetry.sample import Quality, Sample

CELLS = 4
MEASURED = ("voltage_v", "current_a", "soc_pct", "cell_v", "temperature_degc")
NAMES = {figure.name for figure in PACK_FIGURES}


class Kept:
    """The estimators of one pack, and the mapping in which their figures stay, as its watch has it.

    Estimators write all at first and changes later: after a restart the mapping is empty.
    """

    def __init__(self) -> None:
        self.told = setting(
            cells_in_series=CELLS, charge_voltage_v=14.0, full_when="voltage_v >= 13.9"
        )
        self.estimators: list[Estimator] = [made(self.told) for made in ESTIMATORS]
        self.figures: Figures = {}

    def restart(self) -> None:
        """Each goes on from its own snapshot."""
        saved = json.loads(json.dumps([e.snapshot() for e in self.estimators]))
        self.estimators = [made(self.told, s) for made, s in zip(ESTIMATORS, saved, strict=True)]
        self.figures = {}

    def see(self, seen: Sample) -> Figures:
        """The figures after a sample: the mapping itself, so the next changes them."""
        temperatures = seen.temperature_degc
        self.figures |= {
            **pack_settings(self.told.pack, self.told.bank),
            "voltage_v": seen.voltage_v,
            "current_a": seen.current_a,
            "soc_pct": seen.soc_pct,
            "temperature_min_degc": min(temperatures) if temperatures else None,
            "temperature_max_degc": max(temperatures) if temperatures else None,
            "charge_allowed": seen.charge_allowed,
            "discharge_allowed": seen.discharge_allowed,
            "balancing": seen.balancing,
            "protection": seen.protection,
            "setting_overvoltage_v": None,
            "setting_overvoltage_recovery_v": None,
            "setting_full_v": None,
        }
        for estimator in self.estimators:
            estimator.update(seen, self.figures)
        return self.figures


def check(figures: Figures) -> None:
    assert set(figures) >= NAMES
    for name in NAMES:
        value = figures[name]
        if isinstance(value, float):
            assert math.isfinite(value), name


# What the gate lets through (telemetry/names.py bounds it), sensible or not.
amps = st.one_of(st.sampled_from([0.0, 20.0, -20.0, 0.1]), st.floats(-2000, 2000))
cell = st.one_of(st.sampled_from([3.3, 3.45, 2.9, 3.5]), st.floats(0.0, 10.0))
telemetry = st.fixed_dictionaries(
    {},
    optional={
        "voltage_v": st.one_of(st.sampled_from([13.2, 13.95]), st.floats(0, 2000)),
        "current_a": amps,
        "soc_pct": st.floats(0, 100),
        "cell_v": st.tuples(*[cell] * CELLS),
        "temperature_degc": st.lists(st.floats(-60, 150), min_size=1, max_size=3).map(tuple),
        "charge_allowed": st.booleans(),
        "protection": st.sampled_from([(), ("OVER_VOLT",), ("UNDER_VOLT", "OVER_TEMP")]),
    },
)
step_s = st.sampled_from([0.0, 1.0, 10.0, 10.0, 10.0, 59.0, 600.0, 90_000.0])
stories = st.lists(st.tuples(step_s, telemetry, st.booleans(), st.integers(1, 40)), max_size=12)


def samples(story: list[tuple[float, dict[str, Any], bool, int]]) -> Iterator[Sample]:
    at = 0.0
    for step, known, renews, times in story:
        for _ in range(times):
            at += step
            renewed = frozenset(n for n in MEASURED if n in known) if renews else frozenset()
            quality = Quality.GOOD if known else None
            yield sample(at, renewed=renewed, quality=quality, **known)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(stories)
def test_no_sample_raises_or_poisons(story: list[tuple[float, dict[str, Any], bool, int]]) -> None:
    pack = Kept()
    at = START
    for seen in samples(story):
        check(pack.see(seen))
        at = seen.at
    # After whatever came, a day of sense gives figures again, and all of them are finite.
    for minute in range(0, 24 * 60, 10):
        known = {"voltage_v": 13.2, "current_a": 5.0, "soc_pct": 50.0, "cell_v": (3.3,) * CELLS}
        seen = sample(at - START + 60.0 * minute, renewed=frozenset(known), **known)
        check(pack.see(seen))
    assert pack.figures["cell_mean_v"] == 3.3


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(stories, st.frozensets(st.integers(0, 100), max_size=12))
def test_a_restart_anywhere_changes_nothing(
    story: list[tuple[float, dict[str, Any], bool, int]], cuts: frozenset[int]
) -> None:
    """What stays in the mapping is what an estimator writes that has just begun from there."""
    whole, resumed = Kept(), Kept()
    for number, seen in enumerate(samples(story)):
        if number in cuts:
            resumed.restart()
        assert whole.see(seen) == resumed.see(seen)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(stories)
def test_a_restart_before_every_sample_changes_nothing(
    story: list[tuple[float, dict[str, Any], bool, int]],
) -> None:
    whole, resumed = Kept(), Kept()
    for seen in samples(story):
        resumed.restart()
        assert whole.see(seen) == resumed.see(seen)


def test_restarts_through_two_days_change_nothing() -> None:
    bank = healthy(1, [230.0, 120.0], first_seed=4)
    bank.charge[0, 0, 3] += 0.015  # one cell ahead, so that there is something to find
    bank.joint_mohm[0, 1, 7] = 0.5
    record = simulate(bank, days=2)
    whole, resumed = Watched(record, 0), Watched(record, 0)
    both = zip(whole.run(), resumed.run(), strict=True)
    for (step, pack, expected), (_, _, found) in both:
        assert found == expected, f"step {step}, pack {pack}"
        if pack == 1 and step % 1009 == 0:
            resumed.restart()
    assert expected["charged_ah"]


def test_memory_is_bounded() -> None:
    """A snapshot is all that an estimator keeps; it must not grow with the samples."""
    watched = Watched(simulate(healthy(1, first_seed=2), days=3), 0)
    for _ in watched.run():
        pass
    (estimators,) = watched._estimators
    sizes = {type(e).__name__: len(json.dumps(e.snapshot())) for e in estimators}
    assert {name: size for name, size in sizes.items() if size > 20_000} == {}
    assert sum(sizes.values()) < 60_000
