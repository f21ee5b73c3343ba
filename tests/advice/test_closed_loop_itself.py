"""The loop that watchd is held against: its physics, its clairvoyant and what ends a charge."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.truth import Bank, healthy
from tests.truth.loop import SCENARIOS, Clairvoyant, Fixed, Outcome, Start, Taper, learned, run
from tests.truth.loop.controllers import NO_LIMIT_A, Controller, Late, Watchd
from tests.truth.loop.goal import Row
from tests.truth.loop.plant import Plant
from tests.truth.loop.telemetry import document

AHEAD = replace(SCENARIOS["ahead-3"], hours=2.0)
TAPER_TIME = 1.04  # over the clairvoyant's 82 min; as it came out


@pytest.fixture(scope="module")
def start() -> Start:
    return learned(AHEAD, 0.6, engine=False)


@pytest.fixture(scope="module")
def best(start: Start) -> Outcome:
    return run(AHEAD, start, Clairvoyant(AHEAD))


def against(best: Outcome, found: Outcome) -> Row:
    return Row(AHEAD.name, 10.0, best, found, found, found)


def plain() -> Bank:
    """Nothing is lost and nothing is bled."""
    bank = healthy(1, [230.0, 280.0, 100.0])
    bank.efficiency[:] = 1.0
    bank.charge += 0.9 - bank.charge.mean()
    return bank


# --- the plant ---


def test_what_the_charger_gives_flows_into_the_packs_and_stays_in_their_cells() -> None:
    plant = Plant(plain(), 1.0, balances=False)
    before = plant.cells.charge.copy()
    moved_as = np.zeros(3)
    for second in range(600):
        given_a = 100.0 + 50.0 * (second % 60 < 30)
        plant.look(15.0)
        plant.step(given_a)
        assert plant.current_a.sum() == pytest.approx(given_a, abs=1e-6)
        moved_as += plant.current_a[0]
    gained_as = (plant.cells.charge - before)[0] * plant.bank.capacity_ah[0] * 3600.0
    assert gained_as == pytest.approx(np.tile(moved_as[:, None], 16), rel=1e-9)


def test_the_packs_are_at_one_voltage_and_never_above_the_chargers() -> None:
    bank = plain()
    bank.charge += 0.095
    plant = Plant(bank, 1.0)
    for _ in range(600):
        plant.look(15.0)
        plant.step(180.0)
        bus_v = plant.cell_v.sum(axis=2)
        assert np.ptp(bus_v) < 1e-6
        assert bus_v.max() < 56.0 + 1e-6
    assert plant.cell_v.sum(axis=2) == pytest.approx(np.full((1, 3), 56.0))
    assert plant.current_a.sum() < 90.0


def test_cold_cells_have_more_resistance_and_joints_do_not() -> None:
    bank = plain()
    bank.joint_mohm[0, 0, 3] = 1.0
    ohm = []
    for degc in (25.0, 0.0):
        plant = Plant(bank, 1.0)
        plant.look(degc)
        ohm.append(plant.ohm[0, 0])
    rise = (ohm[1] - ohm[0]) / ohm[0]
    assert rise.argmin() == 3
    # 35 kJ/mol between 0 and 25 degC; what follows from the slope of the curve has no temperature.
    grown = np.exp(35_000 / 8.314 * (1 / 273.15 - 1 / 298.15))
    own = bank.ohmic_mohm[0, 0] + bank.relaxing_mohm[0, 0] * (1.0 - np.exp(-1.0 / 40.0))
    assert ohm[1] - ohm[0] == pytest.approx(own * 1e-3 * (grown - 1.0))


def test_a_bms_trips_when_a_cell_is_over_for_a_second_and_comes_back() -> None:
    bank = plain()
    bank.charge[0, 1, 5] = 1.004
    plant = Plant(bank, 1.0)
    seconds_over = 0
    while not plant.tripped.any():
        plant.look(15.0)
        plant.step(180.0)
        seconds_over += bool(plant.cell_v.max() >= 3.65)
        assert seconds_over <= 2
    assert plant.tripped.tolist() == [[False, True, False]]
    assert (plant.trips, seconds_over) == (1, 2)
    plant.look(15.0)
    plant.step(180.0)
    assert plant.current_a[0, 1] == pytest.approx(0.0, abs=1e-6)
    assert plant.current_a.sum() == pytest.approx(180.0)  # the others take it
    while plant.tripped.any():
        assert plant.cell_v[0, 1].max() > 3.45
        plant.look(15.0)
        plant.step(0.0)
    assert plant.cell_v[0, 1].max() <= 3.45


# --- what is said and obeyed ---


def test_what_is_said_is_obeyed_so_much_later() -> None:
    late = Late(10.0, 50.0)
    late.say(100.0, 40.0)
    late.say(104.0, 30.0)
    assert [late.now_a(at) for at in (109.9, 110.0, 113.9, 114.0)] == [50.0, 40.0, 40.0, 30.0]


@pytest.fixture
def obeyed(start: Start) -> Watchd:
    """A charger that heard watchd at `start.at`."""
    watchd = Watchd(start.config, 10.0)
    plant = start.plant.at_pace(1.0, balances=True)
    plant.look(15.0)
    plant.step(20.0)
    rng = np.random.default_rng(1)
    watchd.hear(start.at, [document(plant, pack, rng) for pack in range(3)])
    assert watchd.limit_a(start.at + 9.9, plant) == NO_LIMIT_A
    assert watchd.limit_a(start.at + 10.0, plant) == pytest.approx(AHEAD.charger_a)
    return watchd


def test_a_suggestion_that_is_withdrawn_leaves_the_charger_at_its_own_maximum(
    obeyed: Watchd, start: Start
) -> None:
    # No fresh telemetry for a minute: the engine withdraws it, ten seconds later that is obeyed.
    found = [obeyed.limit_a(start.at + second, start.plant) for second in range(11, 90)]
    assert found.index(NO_LIMIT_A) == pytest.approx(60, abs=1)
    assert obeyed.said[-1][1] is None


def test_so_does_one_that_has_expired(
    obeyed: Watchd, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(obeyed, "engine", SimpleNamespace(tick=lambda _: []))  # watchd is dead
    found = [obeyed.limit_a(start.at + second, start.plant) for second in range(11, 180)]
    assert 11 + found.index(NO_LIMIT_A) == pytest.approx(120 + 10, abs=1)
    assert found[-1] == NO_LIMIT_A


# --- the controllers ---


def test_the_clairvoyant_uses_all_that_the_cells_allow(best: Outcome) -> None:
    assert best.trips == 0
    assert best.ended
    assert best.highest_v == pytest.approx(3.648, abs=1e-4)
    assert best.beyond_ah < 1e-6


@pytest.mark.parametrize("name", ["ahead-5", "clouds", "opening"])
def test_the_clairvoyant_never_trips(name: str) -> None:
    scenario = SCENARIOS[name]
    found = run(scenario, learned(scenario, 0.6, engine=False), Clairvoyant(scenario))
    assert found.trips == 0
    assert found.ended
    assert found.highest_v < 3.649


def test_no_limit_trips_where_a_cell_is_ahead(start: Start) -> None:
    assert run(AHEAD, start, Fixed()).trips > 0


def test_a_fixed_taper_trips_nothing_and_takes_longer(start: Start, best: Outcome) -> None:
    found = run(AHEAD, start, Taper(AHEAD, 10.0))
    assert found.trips == 0
    assert against(best, found).time(found) == pytest.approx(TAPER_TIME, abs=0.01)


def test_on_a_bad_joint_a_fixed_taper_misses_the_goal() -> None:
    scenario = SCENARIOS["joint"]
    begin = learned(scenario, 0.6, engine=False)
    most = run(scenario, begin, Clairvoyant(scenario))
    found = run(scenario, begin, Taper(scenario, 10.0))
    assert Row("joint", 10.0, most, found, found, found).missed(found) != []


@pytest.mark.parametrize("controller", [Fixed(0.0), Fixed(20.0)], ids=["nothing", "next to it"])
def test_a_controller_that_holds_back_misses_the_goal(
    controller: Controller, start: Start, best: Outcome
) -> None:
    found = run(AHEAD, start, controller)
    assert not found.ended  # a tail it is, but not at the top
    assert any("charge" in what for what in against(best, found).missed(found))


def test_a_controller_that_stops_at_the_top_is_at_its_end_and_misses_the_goal(
    start: Start, best: Outcome
) -> None:
    # Nothing from 3.45 V on; that is an end, but without what the others deliver.
    found = run(AHEAD, start, Clairvoyant(AHEAD, 0.20))
    assert found.ended
    assert any("charge" in what for what in against(best, found).missed(found))


def test_a_run_leaves_its_start_as_it_was(start: Start, best: Outcome) -> None:
    again = run(AHEAD, start, Clairvoyant(AHEAD))
    assert np.array_equal(again.current_a, best.current_a)
