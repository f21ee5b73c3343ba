"""Charge between cells' crossings of the same levels."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from watchd.estimators.cells.crossings import Crossings, Lag

LEVELS = tuple(3.36 + 0.01 * k for k in range(16))
NOTHING_TO_COME = (0.0,) * len(LEVELS)
ALIKE = [(0.0, 0.02)] * 3
MV_PER_AH = 20.0


def steep(charge_ah: float) -> float:
    """A cell whose voltage rises by 20 mV/Ah, 3.36 V at 0 Ah."""
    return 3.36 + charge_ah * MV_PER_AH / 1000.0


def way(
    ahead_ah: tuple[float, ...],
    current_a: Callable[[float], float] = lambda _: 20.0,
    *,
    seen: Callable[[float, float], float] = lambda volts, _: volts,
    begin_ah: float = -8.0,
    restarting: bool = False,
    to_come_ah: tuple[float, ...] = NOTHING_TO_COME,
    sizes: list[tuple[float, float]] | None = None,
) -> list[Lag | None]:
    """All cells through the levels; `seen` is what the terminals show at a current."""
    found = Crossings(LEVELS, to_come_ah, len(ahead_ah))
    charge, at = begin_ah, 0.0
    while at < 3 * 3600.0:
        amps = current_a(charge)
        found.take(at, [seen(steep(charge + a), amps) for a in ahead_ah], charge, amps)
        if restarting:
            saved = json.loads(json.dumps(found.snapshot()))
            found = Crossings(LEVELS, to_come_ah, len(ahead_ah), saved)
        at, charge = at + 30.0, charge + amps * 30.0 / 3600.0
    return found.lags(0.5, sizes or ALIKE)


def ahead(lags: list[Lag | None]) -> list[float]:
    return [lag.ahead_ah for lag in lags if lag is not None]


def test_twenty_amperes_nine_minutes_later_are_three_ampere_hours() -> None:
    """Arithmetic: 20 A for 0.15 h."""
    lags = way((0.0, -3.0, 0.0))
    assert ahead(lags) == pytest.approx([0.0, -3.0, 0.0], abs=0.005)


def test_the_median_cell_is_the_reference() -> None:
    assert ahead(way((5.0, 1.0, -2.0))) == pytest.approx([4.0, 0.0, -3.0], abs=0.01)


def test_of_an_even_number_the_middle_of_two_is() -> None:
    lags = way((5.0, 1.0, 0.0, -2.0), sizes=[(0.0, 0.02)] * 4)
    assert ahead(lags) == pytest.approx([4.5, 0.5, -0.5, -2.5], abs=0.01)


def taper(charge: float) -> float:
    """40 A that fall to 4 A on the way through the levels."""
    return 40.0 - 36.0 * min(max((charge + 2.0) / 8.0, 0.0), 1.0)


def test_a_resistance_that_is_left_does_not_shift_a_cell_for_long() -> None:
    """0.1 mOhm is left over; between the crossings the current falls by up to 27 A."""
    plain, left = (
        way((0.0, -4.0, 0.0), taper, seen=lambda v, i, r=r: v + r * i / 1000.0)[1]  # type: ignore[misc]
        for r in (0.0, 0.1)
    )
    assert plain is not None
    assert left is not None
    assert plain.ahead_ah == pytest.approx(-4.0, abs=2 * plain.sigma_ah)
    assert left.ahead_ah == pytest.approx(-4.0, abs=2 * left.sigma_ah)


def test_the_surface_ahead_of_the_bulk_does_not_shift_a_cell_for_long() -> None:
    """It is ahead by 150 s of the current of the last minutes, and lets a taper look late."""
    lately = 0.0
    found, charge = Crossings(LEVELS, NOTHING_TO_COME, 3), -8.0
    for step in range(400):
        amps = taper(charge)
        lately = amps if not step else lately + (amps - lately) * 30.0 / 330.0
        ahead_ah = lately * 150.0 / 3600.0
        cells = [steep(charge + ah + ahead_ah) for ah in (0.0, -4.0, 0.0)]
        found.take(30.0 * step, cells, charge, amps)
        charge += amps * 30.0 / 3600.0
    (_, late, _) = found.lags(0.5, ALIKE)
    assert late is not None
    assert late.ahead_ah == pytest.approx(-4.0, abs=0.05)


def test_two_levels_that_a_rising_current_crosses_tell_nothing() -> None:
    """After a rest the current lifts all cells over the next levels within a minute."""
    found = Crossings(LEVELS, NOTHING_TO_COME, 3)
    for step in range(10):
        lift_v = 0.003 * step
        found.take(30.0 * step, [3.35 + lift_v + 0.001 * k for k in range(3)], 0.1 * step, 40.0)
    assert found.lags(0.5, ALIKE) == [None, None, None]


def test_unlike_currents_widen_the_standard_error() -> None:
    alike, unlike = way((0.0, -4.0, 0.0))[1], way((0.0, -4.0, 0.0), taper)[1]
    assert alike is not None
    assert unlike is not None
    assert unlike.sigma_ah > 1.1 * alike.sigma_ah


def test_a_cell_that_is_known_to_be_small_is_told_from_one_behind() -> None:
    """With 40 Ah to come, a cell that is 5 % smaller is 2 Ah later, and full with the others."""
    to_come = (40.0,) * len(LEVELS)
    (_, unknown, _) = way((0.0, -2.0, 0.0), to_come_ah=to_come)
    (_, small, _) = way(
        (0.0, -2.0, 0.0),
        to_come_ah=to_come,
        sizes=[(0.0, 0.005), (-0.05, 0.005), (0.0, 0.005)],
    )
    assert unknown is not None
    assert small is not None
    assert unknown.ahead_ah == pytest.approx(-2.0, abs=0.05)
    assert unknown.sigma_ah == pytest.approx(0.8, abs=0.1)  # 2 % of 40 Ah
    assert small.ahead_ah == pytest.approx(0.0, abs=0.05)


def test_a_cell_that_crosses_nothing_has_no_lag() -> None:
    lags = way((0.0, -30.0, 0.0), lambda charge: 20.0 if charge < 8.0 else 0.0)
    assert [lag is None for lag in lags] == [False, True, False]


def test_without_the_median_cell_there_is_no_reference() -> None:
    """One leads and stops the charge: the others never got there."""
    lags = way((12.0, 0.0, 0.0), lambda charge: 20.0 if charge < -2.0 else 0.0)
    assert lags == [None, None, None]


def test_levels_that_were_passed_before_the_way_began_do_not_count() -> None:
    lags = way((3.0, 0.0, 0.0), begin_ah=-1.0)  # the first cell is already at 3.40 V
    assert ahead(lags) == pytest.approx([3.0, 0.0, 0.0], abs=0.01)


def test_levels_that_one_cell_had_passed_have_no_median() -> None:
    """The first cell is at 3.39 V already; below that, the middle of the other four is not it."""
    sizes = [(0.0, 0.02)] * 5
    lags = way((3.0, 1.5, 0.0, -1.5, -3.0), begin_ah=-1.5, sizes=sizes)
    assert ahead(lags) == pytest.approx([3.0, 1.5, 0.0, -1.5, -3.0], abs=0.01)


def test_a_discharge_in_between_crosses_nothing() -> None:
    found = Crossings(LEVELS, NOTHING_TO_COME, 1)
    for at, (volts, amps) in enumerate([(3.3, 20.0), (3.5, -20.0), (3.3, -20.0)]):
        found.take(30.0 * at, [volts], 0.1 * at, amps)
    assert found.snapshot()["next"] == [0]


def test_a_restart_anywhere_changes_nothing() -> None:
    assert way((0.0, -3.0, 1.0), taper, restarting=True) == way((0.0, -3.0, 1.0), taper)


def test_a_state_of_another_profile_begins_a_new_way() -> None:
    """With other levels, what was crossed before says nothing of them."""
    before = Crossings(LEVELS, NOTHING_TO_COME, 3)
    for step in range(60):
        before.take(30.0 * step, [steep(-8.0 + step / 6.0)] * 3, step / 6.0, 20.0)
    saved = json.loads(json.dumps(before.snapshot()))
    assert any(crossing for row in saved["found"] for crossing in row)
    after = Crossings(LEVELS[:-1], NOTHING_TO_COME[:-1], 3, saved)
    assert after.snapshot() == Crossings(LEVELS[:-1], NOTHING_TO_COME[:-1], 3).snapshot()
