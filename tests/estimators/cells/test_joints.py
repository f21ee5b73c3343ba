"""Excess resistance of the worst cell's path, in small made-up days."""

from __future__ import annotations

import json
import random
from collections.abc import Iterable, Sequence

import pytest

from tests.estimators.moment import START, sample, setting
from watchd.estimators.cells.joints import ENOUGH_MOHM, FIGURES, Joints, Peaks
from watchd.estimators.charging.charge import Charge
from watchd.figures import Figures

CELLS = 8
CELL_MOHM = 0.5
RENEWED = frozenset({"cell_v", "current_a"})
SETTING = setting(cells_in_series=CELLS)


class Pack:
    """Cells on the flat part: what they show at a current."""

    def __init__(
        self,
        *,
        joints_mohm: dict[int, float] | None = None,
        ahead_mv: dict[int, float] | None = None,
        open_v: float = 3.30,
    ) -> None:
        self.open_v, self.joints, self.ahead = open_v, joints_mohm or {}, ahead_mv or {}
        self.noise = random.Random(7)
        self.now = 0.0
        self.charge, self.joint = Charge(SETTING), Joints(SETTING)
        self.figures: Figures = {}

    def cells(self, amps: float) -> tuple[float, ...]:
        shown = (
            self.open_v
            + (self.ahead.get(k, 0.0) + (CELL_MOHM + self.joints.get(k, 0.0)) * amps) / 1000.0
            + self.noise.gauss(0.0, 0.001)
            for k in range(CELLS)
        )
        return tuple(round(v, 3) for v in shown)

    def run(self, currents: Iterable[float], *, current_late_s: float = 0.0) -> Pack:
        """A sample each 10 s."""
        for amps in currents:
            moment = START + self.now
            seen = sample(
                self.now,
                cell_v=self.cells(amps),
                current_a=amps,
                renewed=RENEWED,
                measured_at={"cell_v": moment, "current_a": moment - current_late_s},
            )
            self.charge.update(seen, self.figures)
            self.joint.update(seen, self.figures)
            self.now += 10.0
        return self

    def look(self) -> Pack:
        """Nothing new came."""
        seen = sample(self.now, cell_v=self.cells(0.0), current_a=0.0)
        self.charge.update(seen, self.figures)
        self.joint.update(seen, self.figures)
        return self

    def restart(self) -> None:
        state = json.loads(json.dumps([self.charge.snapshot(), self.joint.snapshot()]))
        self.charge, self.joint = Charge(SETTING, state[0]), Joints(SETTING, state[1])
        self.figures = {}

    def number(self, name: str) -> float:
        value = self.figures[name]
        assert isinstance(value, int | float), name
        return value


def cloudy(hours: float = 3.0, *, low: float = 10.0, high: float = 60.0) -> list[float]:
    """A current that holds for some minutes and steps."""
    rng = random.Random(3)
    found: list[float] = []
    while len(found) < hours * 360:
        found += [round(rng.uniform(low, high), 1)] * rng.randrange(6, 30)
    return found


def test_a_joint_is_found_with_its_cell_and_its_heat() -> None:
    pack = Pack(joints_mohm={3: 0.8}).run([*cloudy(), *[60.0] * 30])
    assert pack.number("joint_excess_mohm") == pytest.approx(0.8, abs=ENOUGH_MOHM)
    assert pack.number("joint_cell_no") == 4
    assert pack.number("joint_excess_sigma_mohm") < ENOUGH_MOHM
    # 0.8 mOhm and 60 A.
    assert pack.number("joint_heat_w") == pytest.approx(2.88, abs=0.3)


def test_each_cell_has_its_own_excess() -> None:
    pack = Pack(joints_mohm={4: 0.5}).run(cloudy())
    told = [pack.joint.of_cell(cell)["cell_excess_mohm"] for cell in range(CELLS)]
    assert told[4] == pack.number("joint_excess_mohm")
    assert told[0] == pytest.approx(0.0, abs=0.05)
    assert Pack().joint.of_cell(4)["cell_excess_mohm"] is None


def test_a_cell_ahead_in_charge_is_no_joint() -> None:
    pack = Pack(ahead_mv={3: 15.0}).run(cloudy())
    assert pack.number("joint_excess_mohm") < ENOUGH_MOHM


def test_a_path_below_the_others_is_not_named() -> None:
    """The neighbour of a joint may show the opposite sign."""
    pack = Pack(joints_mohm={3: 0.5, 4: -0.5}).run(cloudy())
    assert pack.number("joint_cell_no") == 4
    assert pack.number("joint_excess_mohm") == pytest.approx(0.5, abs=ENOUGH_MOHM)


def test_discharge_tells_as_much() -> None:
    pack = Pack(joints_mohm={1: 0.6}, open_v=3.27).run([-i for i in cloudy()])
    assert pack.number("joint_cell_no") == 2
    assert pack.number("joint_excess_mohm") == pytest.approx(0.6, abs=ENOUGH_MOHM)


def test_the_resistance_is_that_of_the_whole_pack() -> None:
    pack = Pack(joints_mohm={3: 0.8}).run(cloudy(6.0))
    whole = CELLS * CELL_MOHM + 0.8
    assert pack.number("resistance_mohm") == pytest.approx(whole, abs=0.25)
    sigma = pack.number("resistance_sigma_mohm")
    assert abs(pack.number("resistance_mohm") - whole) < 3 * sigma


def test_nothing_is_told_before_the_current_has_varied() -> None:
    pack = Pack(joints_mohm={3: 0.8}).run([20.0] * 720)
    assert {f.name: pack.figures[f.name] for f in FIGURES} == dict.fromkeys(f.name for f in FIGURES)


@pytest.mark.parametrize("open_v", [3.0, 3.5])
def test_only_the_flat_part_counts(open_v: float) -> None:
    """At the ends, differences in charge follow the current."""
    pack = Pack(joints_mohm={3: 0.8}, open_v=open_v).run(cloudy())
    assert pack.figures["joint_excess_mohm"] is None


def test_a_bad_joint_does_not_hide_itself_by_leaving_the_flat_part() -> None:
    """3 mOhm at 60 A lift its cell by 180 mV, far over the knee; the cell itself is flat."""
    low = Pack(joints_mohm={3: 3.0}).run(cloudy(low=2.0, high=20.0))
    low.run(cloudy(low=50.0, high=60.0))
    last_at, _ = low.joint.snapshot()["last"]
    assert low.now - (last_at - START) < 300.0
    assert low.number("joint_excess_mohm") == pytest.approx(3.0, abs=ENOUGH_MOHM)


def test_cells_and_current_of_different_moments_tell_nothing() -> None:
    pack = Pack(joints_mohm={3: 0.8}).run(cloudy(), current_late_s=6.0)
    assert pack.figures["joint_excess_mohm"] is None


def test_charge_that_nobody_counted_is_not_taken_for_resistance() -> None:
    """A cell's difference in charge has changed meanwhile, and so has the current."""
    pack = Pack().run(cloudy())
    silent = sample(pack.now)
    pack.charge.update(silent, pack.figures)
    pack.now += 600.0
    pack.ahead = {3: 30.0}
    pack.run([150.0] * 20)
    assert pack.number("joint_excess_mohm") < ENOUGH_MOHM


def test_a_look_without_news_teaches_nothing() -> None:
    one, two = Pack(joints_mohm={3: 0.8}), Pack(joints_mohm={3: 0.8})
    one.run(cloudy())
    two.run(cloudy())
    state = two.joint.snapshot()
    for _ in range(100):
        two.look()
    assert two.joint.snapshot() == state == one.joint.snapshot()


def test_a_joint_that_goes_bad_is_seen_within_two_days_of_three_hours() -> None:
    pack = Pack()
    for _ in range(8):
        pack.run(cloudy(3.0))
        pack.now += 21 * 3600.0
    pack.joints = {5: 0.8}
    for _ in range(2):
        pack.run(cloudy(3.0))
        pack.now += 21 * 3600.0
    assert pack.number("joint_cell_no") == 6
    assert pack.number("joint_excess_mohm") == pytest.approx(0.8, abs=ENOUGH_MOHM)


def test_a_restart_anywhere_changes_nothing() -> None:
    one, two = Pack(joints_mohm={3: 0.8}), Pack(joints_mohm={3: 0.8})
    currents = cloudy(1.5)
    for begin in range(0, len(currents), 7):
        one.run(currents[begin : begin + 7])
        two.restart()
        two.run(currents[begin : begin + 7])
    assert one.figures == two.figures
    assert one.joint.snapshot() == two.joint.snapshot()


def test_the_highest_current_is_that_of_a_day() -> None:
    peaks = Peaks()
    hour = 3600.0
    assert peaks.highest_a == 0.0
    for at, amps in [(0.0, 50.0), (100.0, 80.0), (200.0, 10.0), (2 * hour, 60.0)]:
        peaks.take(at, amps)
    assert peaks.highest_a == 80.0
    peaks.take(23 * hour, 5.0)
    assert peaks.highest_a == 80.0
    peaks.take(24 * hour, 5.0)
    assert peaks.highest_a == 60.0
    assert Peaks(json.loads(json.dumps(peaks.snapshot()))).highest_a == 60.0


def test_peaks_keep_no_more_than_a_day() -> None:
    peaks = Peaks()
    for hour in range(1000):
        peaks.take(3600.0 * hour, 1.0)
    kept: Sequence[object] = peaks.snapshot()
    assert len(kept) == 24
