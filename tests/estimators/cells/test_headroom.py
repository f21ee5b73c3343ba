"""What current each cell still allows, on samples of a pack whose resistance is known."""

from __future__ import annotations

import json
from math import exp
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as run_with
from hypothesis import strategies as st

from tests.estimators.moment import sample, setting
from watchd.config import Profile
from watchd.estimators.cells.end_of_charge import UpperEnd
from watchd.estimators.cells.extremes import Extremes
from watchd.estimators.cells.headroom import FIGURES, STEEPEST, Headroom
from watchd.figures import Figures

CELLS, NAMEPLATE_AH, HORIZON_H = 8, 200.0, 60.0 / 3600
CELL_MOHM = 0.5
RENEWED = frozenset({"cell_v", "current_a"})
TOP = UpperEnd(Profile().upper_end.from_v, Profile().upper_end.efold_pct / 100)


class Seen:
    """A pack of eight cells of 0.5 mOhm, as the estimator sees it."""

    def __init__(self, **pack: Any) -> None:
        self.setting = setting(cells_in_series=CELLS, **pack)
        self.cells, self.headroom = Extremes(self.setting), Headroom(self.setting)
        self.at = 0.0
        self.figures: Figures = {}

    def look(
        self,
        *cell_v: float,
        amps: float = 0.0,
        net_ah: float = 0.0,
        renewed: frozenset[str] = RENEWED,
        degc: float | None = 25.0,
        **known: Any,
    ) -> Seen:
        """Cells of 3.33 V but for the first, which are given."""
        volts = (*cell_v, *[3.33] * (CELLS - len(cell_v)))
        self.figures |= {
            "resistance_mohm": CELLS * CELL_MOHM,
            "joint_excess_mohm": None,
            "joint_cell_no": None,
            "temperature_min_degc": degc,
            "setting_overvoltage_v": None,
            "charged_ah": max(net_ah, 0.0),
            "discharged_ah": max(-net_ah, 0.0),
            "counted_h": 0.0,
            "uncounted_h": 0.0,
            **known,
        }
        seen = sample(self.at, cell_v=volts, current_a=amps, renewed=renewed)
        self.cells.update(seen, self.figures)
        self.headroom.update(seen, self.figures)
        self.at += 10.0
        return self

    def restart(self) -> None:
        saved = json.loads(json.dumps(self.headroom.snapshot()))
        self.headroom, self.figures = Headroom(self.setting, saved), {}

    def __getitem__(self, name: str) -> float:
        value = self.figures[name]
        assert isinstance(value, int | float), name
        return value


def joint(mohm: float, cell: int = 2) -> dict[str, Any]:
    """One path with more resistance than the others."""
    whole = CELLS * CELL_MOHM + mohm
    return {"joint_excess_mohm": mohm, "joint_cell_no": cell, "resistance_mohm": whole}


def most_a(open_v: float, *, mohm: float = CELL_MOHM, limit_v: float = 3.60) -> float:
    """What a cell at rest at `open_v` may take: with the mathematics that is tested by itself."""
    return TOP.most_a(limit_v, open_v, mohm / 1000, HORIZON_H, NAMEPLATE_AH)


def test_the_highest_cell_rules() -> None:
    seen = Seen().look(3.40, 3.45, 3.42)
    assert seen["charge_headroom_cell_no"] == 2
    assert seen["charge_headroom_a"] == pytest.approx(most_a(3.45))


def test_the_lowest_cell_rules_what_may_be_given() -> None:
    seen = Seen(bms={"undervoltage_v": 2.6}, max_discharge_a=400.0).look(3.00, 2.90, 2.95)
    assert seen["discharge_headroom_cell_no"] == 2
    # To 2.70 V within a minute: from 5.2 % along the table, and what 0.5 mOhm takes.
    amps = seen["discharge_headroom_a"]
    charge = 0.052 - amps / 60 / 200
    assert 2.80 + (charge - 0.031) / 0.021 * 0.1 - 0.0005 * amps == pytest.approx(2.70, abs=0.001)


def test_what_is_measured_at_the_present_current_counts_whole() -> None:
    # 60 A through 0.5 mOhm are 30 mV of what is seen.
    seen = Seen().look(3.48, amps=60.0)
    assert seen["charge_headroom_a"] == pytest.approx(most_a(3.45))


def test_a_worst_path_rules_though_its_cell_is_lower_now() -> None:
    seen = Seen().look(3.40, 3.39, amps=5.0, **joint(2.0))
    assert seen["charge_headroom_cell_no"] == 2
    open_v = 3.39 - 5.0 * 0.0025
    assert seen["charge_headroom_a"] == pytest.approx(most_a(open_v, mohm=2.5))
    # Without its excess the first cell would be the first.
    assert Seen().look(3.40, 3.39, amps=5.0)["charge_headroom_cell_no"] == 1


def test_what_a_worst_path_drops_is_not_taken_for_charge() -> None:
    # At 60 A the second cell is the highest by its joint alone; at rest it is at 3.35 V.
    seen = Seen().look(3.36, 3.50, amps=60.0, **joint(2.0))
    assert seen["charge_headroom_a"] == pytest.approx(most_a(3.35, mohm=2.5))


def test_a_worst_path_rules_the_discharge_too() -> None:
    plain = Seen().look(3.00, 3.02, amps=-20.0)
    worst = Seen().look(3.00, 3.02, amps=-20.0, **joint(4.0))
    assert (plain["discharge_headroom_cell_no"], worst["discharge_headroom_cell_no"]) == (1, 2)
    assert worst["discharge_headroom_a"] < plain["discharge_headroom_a"]


def test_an_excess_below_nothing_is_none() -> None:
    seen = Seen().look(3.45, joint_excess_mohm=-0.1, joint_cell_no=2)
    assert seen["charge_headroom_a"] == Seen().look(3.45)["charge_headroom_a"]


@pytest.mark.parametrize(
    ("what", "pack", "reported_v", "limit_v"),
    [
        ("5 cV inside the BMS's", {}, None, 3.60),
        ("a lowered threshold that the BMS reports", {}, 3.55, 3.50),
        ("a raised one does not count", {}, 3.80, 3.60),
        ("nor does the BMS's above the maker's", {"cell": {"max_v": 3.60}}, None, 3.55),
        ("nor one that is reported", {"cell": {"max_v": 3.60}}, 3.62, 3.55),
    ],
)
def test_the_limit_of_a_cell(
    what: str, pack: dict[str, Any], reported_v: float | None, limit_v: float
) -> None:
    seen = Seen(**pack).look(3.42, setting_overvoltage_v=reported_v)
    assert seen["charge_headroom_a"] == pytest.approx(most_a(3.42, limit_v=limit_v)), what


def test_the_lower_limit_of_a_cell_is_the_makers_where_that_is_higher() -> None:
    bms = {"undervoltage_v": 2.5, "undervoltage_recovery_v": 2.7}
    found = [Seen(bms=bms, cell={"min_v": v}).look(2.80) for v in (2.4, 2.69)]
    # 2.60 and 2.79 V
    assert found[1]["discharge_headroom_a"] < 0.2 * found[0]["discharge_headroom_a"]


def test_nothing_is_told_without_resistance_cells_or_current() -> None:
    seen = Seen().look(3.45, resistance_mohm=None)
    assert {seen.figures[f.name] for f in FIGURES} == {None}
    seen.look(3.45)
    assert seen["charge_headroom_a"] > 0
    seen.headroom.update(sample(seen.at, cell_v=(3.45,) * CELLS), seen.figures)
    assert {seen.figures[f.name] for f in FIGURES} == {None}


def test_it_looks_only_at_what_is_new() -> None:
    seen = Seen().look(3.45)
    amps = seen["charge_headroom_a"]
    assert seen.look(3.50, renewed=frozenset({"soc_pct"}))["charge_headroom_a"] == amps
    assert seen.look(3.50)["charge_headroom_a"] < amps


def test_no_cell_has_less_resistance_than_its_sheet_says() -> None:
    # 0.20 mOhm at 105 Ah, and in proportion 0.105 mOhm at 200 Ah.
    seen = Seen().look(3.45, resistance_mohm=0.001)
    assert seen["charge_headroom_a"] == pytest.approx(most_a(3.45, mohm=0.105))


def test_on_the_flat_part_a_look_a_minute_will_do() -> None:
    seen = Seen().look()
    first = seen["horizon_mohm"]
    later = [seen.look(resistance_mohm=2 * CELLS * CELL_MOHM)["horizon_mohm"] for _ in range(6)]
    assert later[:5] == [first] * 5
    assert later[5] > 1.5 * first
    # Nearer to the knee it looks at once.
    assert seen.look(3.36, resistance_mohm=CELLS * CELL_MOHM)["horizon_mohm"] == later[5]
    assert seen.look(3.375, resistance_mohm=CELLS * CELL_MOHM)["horizon_mohm"] < later[5]


def test_at_its_limit_a_cell_takes_nothing_and_far_from_it_half_more_than_the_pack_may() -> None:
    assert Seen().look(3.60)["charge_headroom_a"] == 0
    seen = Seen().look(*[3.25] * CELLS, resistance_mohm=0.1)
    assert (seen["charge_headroom_a"], seen["discharge_headroom_a"]) == (150, 150)


def test_cells_in_the_cold_have_more_resistance_and_a_joint_has_not() -> None:
    """35 kJ/mol of the Chen et al. 2020 set: 3.641 times at 0 degC what it is at 25."""
    seen = Seen().look(3.42)
    cold = seen.look(3.42, degc=0.0)
    # Told within the thousandth of the reference.
    assert cold["charge_headroom_a"] == pytest.approx(most_a(3.42, mohm=0.5 * 3.641), rel=1e-3)
    seen = Seen().look(3.33, 3.42, **joint(2.0))
    cold = seen.look(3.33, 3.42, degc=0.0, **joint(2.0))
    mohm = 0.5 * 3.641 + 2.0
    assert cold["charge_headroom_a"] == pytest.approx(most_a(3.42, mohm=mohm), rel=1e-3)


def test_what_is_learnt_in_the_cold_is_of_the_cold() -> None:
    seen = Seen().look(3.42, degc=0.0)
    assert seen["charge_headroom_a"] == pytest.approx(most_a(3.42))
    # It stays so however long the cold has gone.
    seen.at += 86_400.0
    warm = seen.look(3.42, degc=25.0)["charge_headroom_a"]
    assert warm == pytest.approx(most_a(3.42, mohm=0.5 / 3.641), rel=1e-3)
    # Learnt again a day later at 25 degC, that is what it holds for.
    seen.at += 86_400.0
    seen.look(3.42, degc=25.0, resistance_mohm=4.01)
    assert seen["charge_headroom_a"] == pytest.approx(most_a(3.42, mohm=4.01 / CELLS))


def test_how_much_the_pack_rises_for_each_ampere() -> None:
    flat = Seen().look(*[3.315] * CELLS)
    slope_mohm = CELLS * 0.0005 / 0.0098 / NAMEPLATE_AH * HORIZON_H * 1000
    assert flat["horizon_mohm"] == pytest.approx(CELLS * CELL_MOHM + slope_mohm)
    with_joint = Seen().look(*[3.315] * CELLS, **joint(2.0))
    assert with_joint["horizon_mohm"] == pytest.approx(flat["horizon_mohm"] + 2.0)
    steep = Seen().look(*[3.45] * CELLS)
    slope_mohm = CELLS * 0.135 / 0.0098 / NAMEPLATE_AH * HORIZON_H * 1000
    assert steep["horizon_mohm"] == pytest.approx(CELLS * CELL_MOHM + slope_mohm)


def climb(
    seen: Seen, steeper: float, *, ways: int = 1, amps: float = 20.0, steps: range = range(60)
) -> Seen:
    """Up a top that is so much steeper than the profile's, a look each 0.05 Ah."""
    for _ in range(ways):
        for step in steps:
            rise_v = 0.02 * exp(0.05 * step / NAMEPLATE_AH / TOP.efold * steeper)
            volts = TOP.flat_v + rise_v + amps * CELL_MOHM / 1000
            seen.look(volts, amps=amps, net_ah=0.05 * step)
    return seen


@pytest.mark.parametrize(
    ("steeper", "learnt"), [(1.0, 1.0), (2.0, 2.0), (3.0, 3.0), (9.0, STEEPEST), (0.2, 0.75)]
)
def test_how_steep_the_top_is_is_learnt_within_bounds(steeper: float, learnt: float) -> None:
    seen = climb(Seen(), steeper, ways=4)
    assert seen["top_steepness"] == pytest.approx(learnt, rel=0.02)
    end = UpperEnd(TOP.flat_v, TOP.efold / learnt)
    amps = end.most_a(3.60, 3.45, 0.0005, HORIZON_H, NAMEPLATE_AH)
    # The last look is the first of another way: it teaches nothing.
    assert seen.look(3.33).look(3.45)["charge_headroom_a"] == pytest.approx(amps, rel=0.02)


def test_a_current_that_changes_teaches_nothing() -> None:
    seen = Seen()
    for step in range(60):
        amps = 20.0 if step % 2 else 40.0
        seen.look(3.40 + 0.002 * step, amps=amps, net_ah=0.25 * step)
    assert seen["top_steepness"] == 1


def test_nor_do_two_cells_that_are_the_highest_in_turn() -> None:
    seen = Seen()
    for step in range(60):
        first, second = (3.42, 3.40) if step % 2 else (3.40, 3.46)
        seen.look(first, second, amps=20.0, net_ah=0.25 * step)
    assert seen["top_steepness"] == 1


def test_a_restart_on_the_way_changes_nothing() -> None:
    whole, resumed = Seen(), Seen()
    for steps in (range(38), range(38, 60), range(17)):
        for seen in (whole, resumed):
            climb(seen, 3.0, steps=steps)
        assert whole.figures == resumed.figures
        resumed.restart()
    for seen in (whole, resumed):
        seen.look(3.42, degc=5.0)
    assert whole.figures == resumed.figures
    resumed.restart()
    resumed.look(3.45, renewed=frozenset())
    assert whole.look(3.45, renewed=frozenset()).figures == resumed.figures


@run_with(max_examples=100, deadline=None, derandomize=True)
@given(
    st.lists(st.floats(2.5, 3.8), min_size=CELLS, max_size=CELLS),
    st.integers(0, CELLS - 1),
    st.floats(0, 0.2),
    st.floats(-100, 100),
    st.none() | st.floats(0.1, 3),
)
def test_a_higher_cell_never_allows_more_charge_nor_less_discharge(
    volts: list[float], place: int, by_v: float, amps: float, excess: float | None
) -> None:
    also = joint(excess) if excess is not None else {}
    before = Seen().look(*volts, amps=amps, **also)
    volts[place] += by_v
    after = Seen().look(*volts, amps=amps, **also)
    assert 0 <= after["charge_headroom_a"] <= before["charge_headroom_a"] + 0.002
    assert after["discharge_headroom_a"] >= before["discharge_headroom_a"] - 0.002
    assert after["horizon_mohm"] > 0
