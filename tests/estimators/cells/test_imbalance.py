"""Imbalance at the top and at the bottom, on packs of 200 Ah that are cycled."""

from __future__ import annotations

import json
import random

import numpy as np
import pytest

from tests.estimators.moment import sample, setting
from tests.truth.ocv import ocv_v
from watchd.estimators.cells.extremes import Extremes
from watchd.estimators.cells.imbalance import FIGURES, Imbalance
from watchd.estimators.cells.ways import End
from watchd.estimators.charging.charge import Charge
from watchd.figures import Figures

CELLS, CELL_MOHM, NAMEPLATE_AH = 8, 0.5, 200.0
SETTING = setting(cells_in_series=CELLS, nameplate_ah=NAMEPLATE_AH)
RENEWED = frozenset({"cell_v", "current_a"})


class Pack:
    """Cells of open-circuit voltage and resistance, without surface or relaxation."""

    def __init__(
        self,
        *,
        ahead_ah: dict[int, float] | None = None,
        small_ah: dict[int, float] | None = None,
        joint: tuple[int, float] | None = None,
        room_ah: float = 60.0,
    ) -> None:
        self.capacity = np.full(CELLS, NAMEPLATE_AH)
        for cell, ah in (small_ah or {}).items():
            self.capacity[cell] -= ah
        room = np.full(CELLS, room_ah)
        for cell, ah in (ahead_ah or {}).items():
            room[cell] -= ah
        self.left = self.capacity - room
        self.joint = joint
        self.whole_mohm: float | None = CELLS * CELL_MOHM + (joint[1] if joint else 0.0)
        self.noise = random.Random(11)
        self.now = 0.0
        self.extremes = Extremes(SETTING)
        self.charge, self.imbalance = Charge(SETTING), Imbalance(SETTING)
        self.figures: Figures = {}

    def cells(self, amps: float) -> tuple[float, ...]:
        volts, _ = ocv_v(self.left / self.capacity)
        mohm = np.full(CELLS, CELL_MOHM)
        if self.joint:
            mohm[self.joint[0]] += self.joint[1]
        shown = volts + amps * mohm / 1000.0
        return tuple(round(float(v) + self.noise.gauss(0.0, 0.0005), 3) for v in shown)

    def see(self, amps: float | None) -> None:
        self.figures |= {
            "resistance_mohm": self.whole_mohm,
            "joint_excess_mohm": self.joint[1] if self.joint else 0.01,
            "joint_cell_no": self.joint[0] + 1 if self.joint else 1,
        }
        cells = self.cells(amps) if amps is not None else None
        seen = sample(
            self.now, cell_v=cells, current_a=amps, renewed=RENEWED if cells else frozenset()
        )
        self.extremes.update(seen, self.figures)
        self.charge.update(seen, self.figures)
        self.imbalance.update(seen, self.figures)

    def flow(self, amps: float, *, until_v: float | None = None, ah: float = 1000.0) -> Pack:
        """A sample each 10 s until a cell reaches `until_v` or so much has flowed."""
        step_ah, moved = amps * 10.0 / 3600.0, 0.0
        while moved < ah:
            cells = self.cells(amps)
            if until_v is not None and (
                max(cells) >= until_v if amps > 0 else min(cells) <= until_v
            ):
                break
            self.see(amps)
            self.now += 10.0
            self.left = self.left + step_ah
            moved += abs(step_ah)
        return self

    def top(self) -> Pack:
        """Up to a cell at 3.62 V, and down again by 15 Ah."""
        return self.flow(20.0, until_v=3.62).flow(-20.0, ah=15.0)

    def bottom(self) -> Pack:
        """Down to a cell at 2.60 V, and up again by 15 Ah."""
        return self.flow(-20.0, until_v=2.60).flow(20.0, ah=15.0)

    def restart(self) -> None:
        state = json.loads(json.dumps([self.charge.snapshot(), self.imbalance.snapshot()]))
        self.charge, self.imbalance = Charge(SETTING, state[0]), Imbalance(SETTING, state[1])
        self.figures = {}

    def told(self, name: str) -> tuple[float, float, int]:
        value, sigma = self.figures[f"{name}_ah"], self.figures[f"{name}_sigma_ah"]
        cell_no = self.figures[f"{name}_cell_no"]
        assert isinstance(value, float)
        assert isinstance(sigma, float)
        assert isinstance(cell_no, int)
        return value, sigma, cell_no


@pytest.mark.parametrize("ah", [-8.0, -3.0, -1.0, 1.0, 3.0, 8.0])
def test_a_cell_ahead_or_behind_is_told_in_ah(ah: float) -> None:
    value, sigma, cell_no = Pack(ahead_ah={2: ah}).top().told("imbalance")
    assert cell_no == 3
    assert value == pytest.approx(ah, abs=max(0.2, 0.1 * abs(ah)))
    assert abs(value - ah) < 3 * sigma


def test_a_level_pack_gives_its_value_with_a_sigma() -> None:
    value, sigma, _ = Pack().top().told("imbalance")
    assert abs(value) < 0.15
    assert 0.0 < sigma < 0.2


def test_each_cell_has_its_own_value_at_both_ends() -> None:
    pack = Pack(ahead_ah={2: 4.0, 5: -3.0}, room_ah=100.0).bottom().top()
    cells = [pack.imbalance.of_cell(cell) for cell in range(CELLS)]
    for name, tolerance in (("cell_imbalance_ah", 0.4), ("cell_left_ah", 0.5)):
        told = [cell[name] for cell in cells]
        assert told[2] == pytest.approx(4.0, abs=tolerance), name
        assert told[5] == pytest.approx(-3.0, abs=tolerance), name
        assert told[0] == pytest.approx(0.0, abs=tolerance), name
    assert pack.imbalance.of_cell(2)["cell_imbalance_ah"] == pack.figures["imbalance_ah"]


def test_of_a_cell_nothing_is_told_before_a_top_was_seen() -> None:
    assert set(Pack().imbalance.of_cell(3).values()) == {None}


@pytest.mark.parametrize("ah", [-4.0, 4.0])
def test_at_the_bottom_it_is_what_is_left(ah: float) -> None:
    pack = Pack(ahead_ah={2: ah}, room_ah=100.0).bottom()
    value, _, cell_no = pack.told("bottom_imbalance")
    assert cell_no == 3
    assert value == pytest.approx(ah, abs=0.4)
    assert pack.figures["imbalance_ah"] is None  # no top was seen


def test_high_and_high_is_charge_and_no_shortfall() -> None:
    pack = Pack(ahead_ah={2: 4.0}).top().bottom()
    shortfall, sigma, _ = pack.told("cell_shortfall")
    assert shortfall < 3 * sigma
    assert shortfall < 1.5


def test_level_and_low_is_a_small_cell() -> None:
    pack = Pack(small_ah={2: 20.0}).top().bottom()
    assert abs(pack.told("imbalance")[0]) < 0.5
    shortfall, _, cell_no = pack.told("cell_shortfall")
    assert cell_no == 3
    assert shortfall == pytest.approx(20.0, abs=3.0)


def test_a_joint_does_not_look_like_charge() -> None:
    """1 mOhm at 20 A is 20 mV: at the knee as much as half an Ah."""
    value, _, _ = Pack(joint=(2, 1.0)).top().told("imbalance")
    assert abs(value) < 0.2


def test_a_current_that_falls_on_the_way_up_does_not_look_like_charge() -> None:
    pack = Pack(ahead_ah={2: -3.0}).flow(60.0, until_v=3.46).flow(6.0, until_v=3.62)
    value, _, cell_no = pack.flow(-20.0, ah=15.0).told("imbalance")
    assert cell_no == 3
    assert value == pytest.approx(-3.0, abs=0.12)


def test_what_a_cell_lacks_is_known_on_the_next_way() -> None:
    """A tenth: on the flat part such a cell would else seem behind (`crossings`)."""
    sizes = Pack(small_ah={2: 20.0}).top().bottom().imbalance._sizes()
    assert [part for part, _ in sizes] == pytest.approx(
        [-0.1 if k == 2 else 0.0 for k in range(CELLS)], abs=0.015
    )


def test_nothing_is_told_before_a_top() -> None:
    pack = Pack(room_ah=100.0).flow(20.0, ah=30.0).flow(-20.0, ah=30.0)
    assert [pack.figures[f.name] for f in FIGURES] == [None] * len(FIGURES)


def test_nothing_is_told_without_the_resistance() -> None:
    pack = Pack(ahead_ah={2: 3.0})
    pack.whole_mohm = None
    pack.top()
    assert pack.figures["imbalance_ah"] is None
    assert pack.imbalance.snapshot()["up"]["ends"] == [None] * CELLS


def test_charge_that_nobody_counted_spoils_the_way() -> None:
    pack = Pack(ahead_ah={2: 3.0}).flow(20.0, until_v=3.42)
    pack.see(None)
    pack.now += 600.0
    pack.left = pack.left + 20.0 / 6.0
    pack.top()
    assert pack.figures["imbalance_ah"] is None
    pack.top()
    assert pack.told("imbalance")[0] == pytest.approx(3.0, abs=0.3)


def test_a_cloud_or_a_kettle_does_not_end_the_way() -> None:
    pack = Pack(ahead_ah={2: 3.0}).flow(20.0, until_v=3.42).flow(-20.0, ah=3.0)
    assert pack.imbalance.snapshot()["up"]["ends"] == [None] * CELLS
    pack.top()
    assert pack.told("imbalance")[0] == pytest.approx(3.0, abs=0.3)


def test_a_later_finding_takes_the_place_of_an_old_one() -> None:
    pack = Pack(ahead_ah={2: 3.0}).top()
    pack.left[2] -= 2.5  # the balancer
    pack.now += 20 * 86400.0
    pack.see(None)
    pack.top()
    pack.top()
    assert pack.told("imbalance")[0] == pytest.approx(0.5, abs=0.3)


def test_the_weight_of_a_finding_falls_with_its_age() -> None:
    old, day = End(4.0, 0.1, 0.0), 86400.0
    assert old.renewed(End(2.0, 0.1, 0.0)).ahead_ah == pytest.approx(3.0)
    assert old.renewed(End(2.0, 0.1, 0.0)).sigma_ah == pytest.approx(0.1 / 2**0.5)
    a_day, a_month = (old.renewed(End(2.0, 0.1, n * day)).ahead_ah for n in (1, 30))
    assert 2.0 < a_month < a_day < 3.0


def test_a_restart_anywhere_changes_nothing() -> None:
    one, two = Pack(ahead_ah={2: 3.0}, room_ah=12.0), Pack(ahead_ah={2: 3.0}, room_ah=12.0)
    see = two.see

    def restarting(amps: float | None) -> None:
        see(amps)
        if int(two.now) % 70 == 0:
            two.restart()

    two.see = restarting  # type: ignore[method-assign]
    one.top()
    two.top()
    assert one.figures == two.figures
    assert one.figures["imbalance_ah"] is not None
    assert one.imbalance.snapshot() == two.imbalance.snapshot()
