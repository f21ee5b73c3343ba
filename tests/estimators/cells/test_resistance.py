"""Resistance from voltage against current: least squares while nothing drifts, and when it does."""

from __future__ import annotations

import json
from collections.abc import Iterable

import numpy as np
import pytest
from scipy.stats import linregress

from watchd.estimators.cells import resistance
from watchd.estimators.cells.resistance import Doubt, Drift, ResistanceFilter

STILL = Doubt(open_mv=1e4, slope_mv_per_ah=0.0, resistance_mohm=1e3)
Measurement = tuple[float, list[float]]  # A, mV


def plain(measurements: Iterable[Measurement], channels: int = 1) -> ResistanceFilter:
    """Nothing drifts."""
    found = ResistanceFilter(channels, Drift(), STILL)
    for amps, volts in measurements:
        found.measure(amps, volts, 1.0)
    return found


def currents(count: int = 200) -> np.ndarray:
    return np.random.default_rng(1).uniform(-40.0, 60.0, count)


def test_half_a_milliohm_and_four_millivolts_come_back() -> None:
    """The model of Zheng et al. 2013, d = a + r I, with a = 4 mV and r = 0.5 mOhm."""
    found = plain((i, [4.0 + 0.5 * i]) for i in currents())
    assert found.resistance_mohm[0] == pytest.approx(0.5, abs=1e-6)
    assert found.open_mv[0] == pytest.approx(4.0, abs=1e-4)


def noisy(seed: int = 2) -> list[Measurement]:
    rng = np.random.default_rng(seed)
    return [(float(i), [float(4.0 + 0.5 * i + rng.normal())]) for i in currents()]


def test_it_is_least_squares_as_scipy_has_it() -> None:
    """SciPy's `linregress`."""
    measured = noisy()
    found = plain(measured)
    line = linregress([i for i, _ in measured], [v[0] for _, v in measured])
    assert found.resistance_mohm[0] == pytest.approx(line.slope, abs=1e-6)
    assert found.open_mv[0] == pytest.approx(line.intercept, abs=1e-4)
    # linregress learns the noise from the residuals; here it is told to be 1 mV.
    assert found.sigma_mohm(0) == pytest.approx(line.stderr, rel=0.1)


def test_the_order_of_time_does_not_matter() -> None:
    """A sum does not know the order of its terms."""
    measured = noisy()
    shuffled = [measured[k] for k in np.random.default_rng(3).permutation(len(measured))]
    assert plain(shuffled).resistance_mohm == pytest.approx(plain(measured).resistance_mohm)


def test_an_offset_of_charge_changes_the_open_part_only() -> None:
    """What does not follow the current is no resistance."""
    measured = noisy()
    shifted = [(i, [v[0] + 7.0]) for i, v in measured]
    before, after = plain(measured), plain(shifted)
    assert after.resistance_mohm == pytest.approx(before.resistance_mohm, abs=1e-5)
    assert after.open_mv[0] - before.open_mv[0] == pytest.approx(7.0, abs=1e-3)


def test_with_drift_it_is_generalised_least_squares(monkeypatch: pytest.MonkeyPatch) -> None:
    """Aitken's estimator over all data at once, the drift as correlated noise (NumPy)."""
    monkeypatch.setattr(resistance, "CLIP", 1e9)
    rng = np.random.default_rng(4)
    amps = currents(120)
    hours, walk_mv2 = 0.02, 3.0
    drift = np.cumsum(rng.normal(0.0, np.sqrt(walk_mv2 * hours), len(amps)))
    volts = drift + 0.5 * amps + rng.normal(0.0, 1.0, len(amps))

    found = ResistanceFilter(1, Drift(open_mv2_per_h=walk_mv2), STILL)
    for i, v in zip(amps, volts, strict=True):
        found.pass_by(hours, 0.0)
        found.measure(float(i), [float(v)], 1.0)

    steps = np.arange(1, len(amps) + 1)
    noise = walk_mv2 * hours * np.minimum.outer(steps, steps) + np.eye(len(amps))
    design = np.column_stack([np.ones_like(amps), amps])
    inverse = np.linalg.inv(noise)
    covariance = np.linalg.inv(design.T @ inverse @ design)
    expected = covariance @ design.T @ inverse @ volts
    assert found.resistance_mohm[0] == pytest.approx(expected[1], abs=1e-5)
    assert found.sigma_mohm(0) == pytest.approx(np.sqrt(covariance[1, 1]), rel=0.2)


def test_a_slope_with_charge_is_not_taken_for_resistance() -> None:
    """A cell ahead in charge moves with the charge that flows; on a clear day so does the sun."""
    count = 240
    amps = 60.0 * np.sin(np.linspace(0.0, np.pi, count))
    moved = amps / 60.0
    charge = np.cumsum(moved)
    found = ResistanceFilter(1, Drift(open_mv2_per_ah=0.02), Doubt())
    for i, ah, q in zip(amps, moved, charge, strict=True):
        found.pass_by(1 / 60, float(ah))
        found.measure(float(i), [float(3.0 + 0.05 * q + 0.2 * i)], 0.2)
    assert found.resistance_mohm[0] == pytest.approx(0.2, abs=0.01)


def test_one_wild_measurement_counts_little() -> None:
    measured = noisy()
    wild = [*measured[:100], (50.0, [500.0]), *measured[100:]]
    assert plain(wild).resistance_mohm[0] == pytest.approx(
        plain(measured).resistance_mohm[0], abs=0.02
    )


def test_every_voltage_has_its_own_resistance() -> None:
    found = plain(((i, [0.1 * i, 5.0 - 0.3 * i, 1.0]) for i in currents()), channels=3)
    assert found.resistance_mohm == pytest.approx([0.1, -0.3, 0.0], abs=1e-6)


def test_the_standard_error_is_honest() -> None:
    """Over 300 series, the errors have the size that the sigma says."""
    errors, sigma = [], 0.0
    for seed in range(300):
        found = plain(noisy(seed))
        errors.append(found.resistance_mohm[0] - 0.5)
        sigma = found.sigma_mohm(0)
    assert float(np.std(errors)) == pytest.approx(sigma, rel=0.15)


def test_noise_beyond_what_is_claimed_widens_the_standard_error() -> None:
    rng = np.random.default_rng(5)
    calm = plain((float(i), [0.5 * float(i) + rng.normal(0, 1)]) for i in currents(1000))
    rough = plain((float(i), [0.5 * float(i) + rng.normal(0, 3)]) for i in currents(1000))
    assert rough.sigma_mohm(0) == pytest.approx(3 * calm.sigma_mohm(0), rel=0.2)


def test_without_a_change_of_current_nothing_is_known() -> None:
    found = plain((20.0, [4.0 + 0.5 * 20.0]) for _ in range(1000))
    assert found.sigma_mohm(0) > 10.0


def test_uncounted_charge_forgets_the_open_part_only() -> None:
    found = plain(noisy())
    before = found.resistance_mohm[0]
    found.forget_open()
    found.measure(10.0, [50.0 + 0.5 * 10.0], 1.0)  # it now is at 50 mV
    assert found.resistance_mohm[0] == pytest.approx(before, abs=0.01)


def test_a_restart_changes_nothing() -> None:
    drift = Drift(0.2, 0.02, 1e-4, 1e-4)
    one = ResistanceFilter(1, drift, Doubt())
    two = ResistanceFilter(1, drift, Doubt())
    for amps, volts in noisy():
        for each in (one, two):
            each.pass_by(0.02, amps / 60)
            each.measure(amps, volts, 1.0)
        two = ResistanceFilter(1, drift, Doubt(), json.loads(json.dumps(two.snapshot())))
    assert one.snapshot() == two.snapshot()


DRIFTS = Drift(open_mv2_per_h=0.2, resistance_mohm2_per_h=1e-4)


def test_what_was_vague_is_put_right_by_the_first_current_that_differs() -> None:
    """A cell that settles under a steady load looks like much resistance, but not for certain."""
    found = ResistanceFilter(2, DRIFTS, Doubt())
    for step in range(6):
        found.pass_by(0.025, -1.3)
        found.measure(-50.0 - step % 2, [60.0 * 0.5**step, 0.0], 0.1)
    assert abs(found.resistance_mohm[0]) > 1.0
    found.pass_by(0.025, 0.0)
    for amps in (0.0, 30.0, 0.0, 30.0):
        found.measure(amps, [1.0, 0.0], 0.1)
    assert found.resistance_mohm[0] == pytest.approx(0.0, abs=0.1)


def test_a_belief_that_the_readings_contradict_again_and_again_is_given_up() -> None:
    found = ResistanceFilter(2, Drift(), Doubt())
    for amps in currents(100):
        found.measure(float(amps), [5.0 * float(amps), 0.0], 0.1)
    assert found.resistance_mohm[0] == pytest.approx(5.0, abs=0.01)
    for _ in range(resistance.TURNS):
        found.measure(40.0, [8.0, 0.0], 0.1)
        found.measure(50.0, [10.0, 0.0], 0.1)
    assert found.resistance_mohm[0] == pytest.approx(0.2, abs=0.05)
