"""What the BMS says of its charge: how far it is off, and steps that no charge explains."""

from __future__ import annotations

import json

import pytest

from tests.estimators.counting import Counting
from tests.estimators.moment import sample, setting
from watchd.estimators.soc.bms_soc import BmsSoc
from watchd.figures import Figures, Value

NAMEPLATE_AH = 200.0
NAMES = ("soc_error_pct", "soc_stepped", "soc_step_pct", "bms_reanchored", "since_reanchor_h")
RENEWED = frozenset({"soc_pct"})


class Told:
    """A BMS that tells its state of charge, and the charge that is counted meanwhile."""

    def __init__(self) -> None:
        self.count = Counting()
        self.told = setting(nameplate_ah=NAMEPLATE_AH)
        self.bms = BmsSoc(self.told)
        self.figures: Figures = {}

    def says(
        self,
        soc_pct: float | None,
        *,
        own: float | None = None,
        lowest_v: float | None = 3.3,
        renewed: bool = True,
    ) -> Told:
        self.figures |= self.count.figures(soc_estimate_pct=own, cell_min_v=lowest_v)
        told = sample(
            self.count.seconds, soc_pct=soc_pct, renewed=RENEWED if renewed else frozenset()
        )
        self.bms.update(told, self.figures)
        return self

    def after(self, seconds: float, amps: float = 0.0) -> Told:
        self.count.flow(amps, seconds / 3600)
        return self

    @property
    def stepped(self) -> Value:
        return self.figures["soc_stepped"]

    @property
    def reanchored(self) -> Value:
        return self.figures["bms_reanchored"]

    def restart(self) -> None:
        self.bms = BmsSoc(self.told, json.loads(json.dumps(self.bms.snapshot())))
        self.figures = {}


def test_how_far_the_bms_is_off() -> None:
    assert Told().says(80.0, own=75.5).figures["soc_error_pct"] == 4.5
    assert Told().says(70.0, own=75.5).figures["soc_error_pct"] == -5.5
    assert Told().says(80.0).figures["soc_error_pct"] is None
    assert Told().says(None, own=80.0).figures["soc_error_pct"] is None


def test_nothing_is_said_of_a_bms_that_says_nothing() -> None:
    alder = Told().says(None, own=80.0)
    assert {name: alder.figures[name] for name in NAMES} == dict.fromkeys(NAMES)
    alder.says(80.0)
    assert (alder.stepped, alder.reanchored) == (False, False)


# Before, after, counted in between as % of nameplate; the step that is left, None: explained.
STEPS = [
    (80.0, 83.0, 0.0, 3.0),
    (80.0, 77.0, 0.0, -3.0),
    (80.0, 82.0, 0.0, None),
    (80.0, 77.1, 0.0, None),
    (80.1, 83.1, 0.0, 3.0),  # three, whatever a float makes of it
    (80.0, 90.0, 10.0, None),
    (80.0, 93.0, 10.0, None),  # its capacity setting is off by a fifth at most
    (80.0, 95.1, 10.0, 3.1),
    (80.0, 70.0, 10.0, -18.0),  # down, while at least 8 % went in
    (50.0, 12.0, 0.0, -38.0),
    (50.0, 0.0, 0.0, -50.0),  # not at the low end of its cells
]


@pytest.mark.parametrize(("before", "after", "counted", "left"), STEPS)
def test_a_step_is_what_charge_does_not_explain(
    before: float, after: float, counted: float, left: float | None
) -> None:
    alder = Told().says(before)
    alder.after(600, counted * NAMEPLATE_AH / 100 * 6).says(after)
    assert alder.stepped is (left is not None)
    assert alder.figures["soc_step_pct"] == (pytest.approx(left) if left is not None else None)
    assert alder.reanchored is False


def test_a_step_is_shown_for_a_minute_and_its_size_kept() -> None:
    alder = Told().says(80.0).after(10).says(60.0)
    assert alder.stepped is True
    assert alder.after(59).says(60.0).stepped is True
    assert alder.after(1).says(60.0).stepped is False
    assert alder.figures["soc_step_pct"] == -20.0


def test_whole_steps_of_a_coarse_bms_are_explained_by_the_charge_since_the_last() -> None:
    """It shows every 5 % only; ten hours at C/20 are 50 %."""
    alder, shown = Told().says(50.0), []
    for tenth in range(1, 101):
        alder.after(360, NAMEPLATE_AH / 20)
        alder.says(50.0 + 5 * (tenth // 10))
        shown.append(alder.stepped)
    assert alder.figures["soc_step_pct"] is None
    assert set(shown) == {False}


def test_a_bms_that_stands_at_its_end_while_charge_flows_has_not_stepped() -> None:
    alder = Told().says(100.0)
    for _ in range(30):
        alder.after(600, 12.0).says(100.0)  # the absorption: 30 % more
    assert alder.after(60, -60.0).says(99.0).stepped is False
    assert alder.after(60, -60.0).says(98.0).stepped is False


def test_a_step_during_a_gap_is_not_told_from_what_may_have_flowed() -> None:
    alder = Told().says(80.0)
    alder.count.hole(0.5)
    assert alder.says(60.0).stepped is False
    alder.count.hole(0.1)
    assert alder.says(30.0).stepped is True


def test_only_a_value_that_was_renewed_tells() -> None:
    alder = Told().says(80.0).after(10).says(60.0, renewed=False)
    assert alder.stepped is False
    assert alder.says(60.0).stepped is True


def test_to_say_full_is_to_reanchor_and_no_fault() -> None:
    alder = Told().says(88.0).after(10).says(100.0)
    assert (alder.stepped, alder.reanchored) == (False, True)
    assert alder.figures["since_reanchor_h"] == 0
    assert alder.after(59).says(100.0).reanchored is True
    assert alder.after(1).says(100.0).reanchored is False
    assert alder.after(3540).says(100.0).figures["since_reanchor_h"] == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("before", "after", "reanchored"),
    [(98.0, 100.0, True), (99.0, 100.0, False), (90.0, 99.0, True), (90.0, 98.0, False)],
)
def test_the_last_per_cent_is_rounding(before: float, after: float, reanchored: bool) -> None:
    assert Told().says(before).after(10).says(after).reanchored is reanchored


def test_a_charge_that_ends_at_full_by_count_is_no_reanchoring() -> None:
    alder = Told().says(90.0)
    for percent in range(91, 101):
        alder.after(600, NAMEPLATE_AH * 0.06).says(float(percent))
        assert (alder.stepped, alder.reanchored) == (False, False)


def test_at_the_low_knee_it_may_set_itself_too() -> None:
    low = Told().says(30.0).after(10).says(8.0, lowest_v=3.0)
    assert (low.stepped, low.reanchored) == (False, True)
    unknown = Told().says(30.0).after(10).says(8.0, lowest_v=None)
    assert (unknown.stepped, unknown.reanchored) == (True, False)
    half = Told().says(60.0).after(10).says(30.0, lowest_v=3.0)
    assert (half.stepped, half.reanchored) == (True, False)
    up = Told().says(5.0).after(10).says(12.0, lowest_v=3.0)
    assert (up.stepped, up.reanchored) == (True, False)


def test_restarts_change_nothing() -> None:
    whole, resumed = Told(), Told()
    for soc_pct, amps in [(80.0, 0), (81.0, 120), (70.0, -20), (None, -20), (100.0, 40), (97.0, 0)]:
        for pack in (whole, resumed):
            pack.after(60, amps).says(soc_pct, own=75.0)
        assert whole.figures == resumed.figures
        resumed.restart()
