"""Charge counted in and out: what counts, for how long a current holds, and what is not counted."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.estimators.moment import sample, setting
from watchd.estimators.charging.charge import Charge
from watchd.figures import Figures

RENEWED = frozenset({"current_a"})


class Counted:
    """A pack of 200 Ah whose charge is counted; a current holds for at most 60 s."""

    def __init__(self) -> None:
        self.charge = Charge(setting())
        self.figures: Figures = {}

    def see(self, at: float, amps: float | None, *, renewed: bool = True) -> Counted:
        names = RENEWED if renewed and amps is not None else frozenset[str]()
        self.charge.update(sample(at, current_a=amps, renewed=names), self.figures)
        return self

    def restart(self) -> None:
        self.charge = Charge(setting(), json.loads(json.dumps(self.charge.snapshot())))

    def __getitem__(self, name: str) -> float:
        value = self.figures[name]
        assert isinstance(value, float)
        return value


def test_nothing_is_counted_before_the_first_current() -> None:
    pack = Counted().see(0, None).see(50, None).see(60, 20.0)
    assert (pack["charged_ah"], pack["discharged_ah"], pack["counted_h"]) == (0, 0, 0)
    assert pack["uncounted_h"] == pytest.approx(60 / 3600)


def test_in_and_out_are_kept_apart() -> None:
    pack = Counted()
    for at in range(0, 3600, 10):
        pack.see(at, 36.0)
    for at in range(3600, 7210, 10):
        pack.see(at, -18.0)
    assert pack["charged_ah"] == pytest.approx(36.0)
    assert pack["discharged_ah"] == pytest.approx(18.0)
    assert pack["counted_h"] == pytest.approx(2.0)
    assert pack["uncounted_h"] == 0
    # In and out over twice 200 Ah.
    assert pack["equivalent_cycles"] == pytest.approx(54.0 / 400.0)


@pytest.mark.parametrize(
    ("amps", "capacity_ah", "per_day_pct"),
    # An offset of 0.1 A on 280 Ah is 0.857 % a day (arithmetic).
    [(0.1, 280.0, 0.857), (0.1, 200.0, 1.2)],
)
def test_an_offset_grows_with_time(amps: float, capacity_ah: float, per_day_pct: float) -> None:
    pack = Counted()
    for at in range(0, 86410, 10):
        pack.see(at, amps)
    assert pack["charged_ah"] / capacity_ah * 100 == pytest.approx(per_day_pct, abs=0.001)


def test_a_current_holds_until_the_next_and_no_longer_than_a_gap() -> None:
    pack = Counted().see(0, 36.0)
    assert pack.see(30, 36.0, renewed=False)["charged_ah"] == pytest.approx(0.3)
    assert pack.see(60, 36.0, renewed=False)["charged_ah"] == pytest.approx(0.6)
    assert pack.see(90, None)["charged_ah"] == pytest.approx(0.6)
    assert pack["uncounted_h"] == pytest.approx(30 / 3600)
    assert pack.see(190, 10.0)["uncounted_h"] == pytest.approx(130 / 3600)
    assert pack.see(200, 10.0)["charged_ah"] == pytest.approx(0.6 + 10 * 10 / 3600)


amps = st.none() | st.floats(-200, 200)


@given(st.lists(st.tuples(st.floats(0.1, 200), amps, st.booleans(), st.booleans())))
def test_the_totals_only_grow_and_a_restart_changes_nothing(
    story: list[tuple[float, float | None, bool, bool]],
) -> None:
    whole, resumed = Counted(), Counted()
    at = 0.0
    before = (0.0, 0.0, 0.0, 0.0)
    for step, current, renewed, restarts in story:
        at += step
        for pack in (whole, resumed):
            pack.see(at, current, renewed=renewed)
        assert whole.figures == resumed.figures
        names = ("charged_ah", "discharged_ah", "counted_h", "uncounted_h")
        now = tuple(whole[n] for n in names)
        assert all(a <= b + 1e-9 for a, b in zip(before, now, strict=True))
        before = (now[0], now[1], now[2], now[3])
        if restarts:
            resumed.restart()
    if story:
        # All time since the first look is one or the other.
        assert before[2] + before[3] == pytest.approx((at - story[0][0]) / 3600, abs=1e-6)
