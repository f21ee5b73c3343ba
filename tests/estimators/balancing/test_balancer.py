"""The balancer's verdict, on days that are told as their spread at full."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Sequence

import pytest

from tests.estimators.moment import sample, setting
from watchd.estimators.balancing.balancer import FIGURES, Balancer
from watchd.estimators.balancing.days import KEPT
from watchd.figures import Figures, Value

BALANCER = {"current_a": 0.5, "from_v": 3.42}
CLOSING, HOLDING, NOT_COPING, TOO_EARLY = VERDICTS = (
    "closing",
    "holding",
    "not coping",
    "too early to say",
)


class Pack:
    """A pack of 200 Ah that is full once a day; its balancer moves 0.5 A above 3.42 V a cell."""

    def __init__(self, *, restarts: bool = False, balancer: bool = True) -> None:
        self.setting = setting(balancer=BALANCER if balancer else None)
        self.balancer = Balancer(self.setting)
        self.restarts, self.seconds = restarts, 0.0
        self.figures: Figures = {}
        self.imbalance_ah: float | None = None

    def day(
        self,
        spread_mv: float | None,
        imbalance_ah: float | None = None,
        *,
        fulls: Sequence[float] = (12.0,),
        low_v: float = 3.48,
        window_h: float = 2.0,
        balancing: bool | None = None,
        steps_a_h: int = 60,
    ) -> None:
        """A day; `fulls`: when the pack is full, each for half an hour. None: a dull one."""
        self.imbalance_ah = imbalance_ah
        begin = self.seconds
        for step in range(24 * steps_a_h):
            hour = step / steps_a_h
            full = spread_mv is not None and any(at <= hour < at + 0.5 for at in fulls)
            in_window = 10.0 <= hour < 10.0 + window_h
            self.seconds = begin + hour * 3600.0
            self.look(
                {
                    "charge_state": "FULL" if full else "DISCHARGING",
                    "since_full_h": 0.0 if full else 1.0,
                    "spread_at_full_mv": spread_mv,
                    "cell_min_v": low_v if full else 3.30,
                    "cell_max_v": 3.50 if in_window else 3.35,
                    "cell_spread_mv": spread_mv or 0.0,
                },
                balancing,
            )
        self.seconds = begin + 86400.0

    def look(self, figures: Figures, balancing: bool | None = None) -> None:
        if self.restarts:
            saved = json.loads(json.dumps(self.balancer.snapshot()))
            self.balancer, self.figures = Balancer(self.setting, saved), {}
        self.figures |= {
            "imbalance_ah": self.imbalance_ah,
            "counted_h": self.seconds / 3600.0,
            **figures,
        }
        self.balancer.update(sample(self.seconds, balancing=balancing), self.figures)

    def __getitem__(self, name: str) -> float:
        value = self.figures[name]
        assert isinstance(value, int | float), f"{name} is {value}"
        return value

    @property
    def verdict(self) -> Value:
        return self.figures["balancer_verdict"]


def days(spreads: Sequence[float | None], low_v: float = 3.48) -> Pack:
    pack = Pack()
    for spread in spreads:
        pack.day(spread, low_v=low_v, steps_a_h=4)
    return pack


# Spread at full in mV day by day (n days), without noise.
Days = Callable[[int], float]
CLEAR: dict[str, tuple[Days, str]] = {
    "widens by 3 mV a day": (lambda n: 20 + 3.0 * n, NOT_COPING),
    "closes by 3 mV a day": (lambda n: 80 - 3.0 * n, CLOSING),
    "small and flat": (lambda n: 6 + n % 2, HOLDING),
    "wide and flat": (lambda n: 45 + n % 2, HOLDING),
    "grows, but is small": (lambda n: 3 + 0.5 * n, HOLDING),
    "bends toward an end": (lambda n: 200 - 150 * 0.75**n, NOT_COPING),
}


@pytest.mark.parametrize(("spread", "verdict"), CLEAR.values(), ids=list(CLEAR))
def test_a_clear_case_is_right_in_ten_days(spread: Days, verdict: str) -> None:
    assert days([spread(n) for n in range(10)]).verdict == verdict


def test_five_days_are_too_few() -> None:
    for spread, _ in CLEAR.values():
        pack = days([spread(n) for n in range(5)])
        assert pack.verdict == TOO_EARLY
        assert pack.figures["spread_slope_mv"] is None


def test_before_the_first_full_all_is_unknown_but_the_verdict() -> None:
    pack = days([None] * 3)
    assert pack.verdict == TOO_EARLY
    assert {pack.figures[f.name] for f in FIGURES} == {None, TOO_EARLY}


def test_slope_and_days_to_balanced() -> None:
    pack = days([80 - 2.0 * n for n in range(12)])
    assert pack["spread_slope_mv"] == pytest.approx(-2.0)
    assert pack["spread_slope_low_mv"] <= pack["spread_slope_mv"] <= pack["spread_slope_high_mv"]
    # From 60 mV (the median of the last three) to 15 at 2 a day.
    assert pack["days_to_balanced_d"] == pytest.approx(22.5)


def test_days_to_balanced_are_those_of_the_imbalance_where_it_is_known() -> None:
    pack = Pack()
    for n in range(12):
        pack.day(80 - 2.0 * n, 3.0 - 0.2 * n, steps_a_h=4)
    assert pack["days_to_balanced_d"] == pytest.approx(4.0)  # 0.8 Ah at 0.2 a day


def test_a_trend_that_has_ended_is_none() -> None:
    """It closed for two weeks, and has stood wide for one: it was right then."""
    closed = [75 - 3.0 * n for n in range(14)]
    assert days(closed).verdict == CLOSING
    assert days([*closed, *[35.0] * 7]).verdict == TOO_EARLY
    assert days([*closed, *[35.0] * KEPT]).verdict == HOLDING
    widened = [30 + 3.0 * n for n in range(14)]
    assert days(widened).verdict == NOT_COPING
    assert days([*widened, *[70.0] * 7]).verdict == TOO_EARLY


def test_a_spread_from_the_flat_part_is_not_called_flat() -> None:
    """Where the lowest cell is still there, many Ah more would show the same."""
    assert days([205.0] * 12).verdict == HOLDING
    assert days([205.0] * 12, low_v=3.31).verdict == TOO_EARLY


def test_the_imbalance_speaks_where_the_spread_cannot() -> None:
    def verdict(slope_ah: float, spread_slope_mv: float = 0.0) -> Value:
        pack = Pack()
        for n in range(12):
            pack.day(205 + spread_slope_mv * n, 20 + slope_ah * n, low_v=3.31, steps_a_h=4)
        return pack.verdict

    assert verdict(+0.5) == NOT_COPING
    assert verdict(-0.5) == CLOSING
    assert verdict(+0.001) == HOLDING
    assert verdict(-0.5, spread_slope_mv=+2.0) == TOO_EARLY  # they contradict each other


def test_the_sign_of_the_imbalance_is_not_asked() -> None:
    pack = Pack()
    for n in range(10):
        pack.day(40 + 2.0 * n, -1.0 - 0.3 * n)
    assert pack.verdict == NOT_COPING
    assert pack["balancer_needed_ah"] == pytest.approx(1.0 + 0.3, abs=0.02)


def test_what_it_can_move_and_must() -> None:
    pack = Pack()
    for n in range(10):
        pack.day(40.0, 2.0 + 0.1 * n + 1e-9 * n)
    # 0.5 A for the two hours above its start voltage, all of it at work.
    assert pack["balancer_can_move_ah"] == pytest.approx(1.0, rel=0.03)
    assert pack["balancer_needed_ah"] == pytest.approx(1.1, rel=0.03)


def test_below_its_own_step_it_did_nothing() -> None:
    pack = Pack()
    for n in range(10):
        pack.day(4.0, 0.1 + 1e-4 * n)
    assert pack["balancer_can_move_ah"] == pytest.approx(1.0, rel=0.03)
    assert pack["balancer_needed_ah"] == pytest.approx(0.0, abs=0.001)


def test_a_bms_that_tells_knows_best() -> None:
    pack = Pack()
    for n in range(10):
        pack.day(40.0, 2.0 + 1e-4 * n, balancing=False)
    assert pack["balancer_needed_ah"] == pytest.approx(0.0, abs=0.001)


def test_an_imbalance_of_the_day_before_is_not_taken_twice() -> None:
    pack = Pack()
    for n in range(8):
        pack.day(40.0 + n, 2.0 + 0.3 * (n // 2), steps_a_h=4)
    assert pack.figures["balancer_needed_ah"] is None  # four values
    assert [f[3] for f in pack.balancer.snapshot()["fulls"]].count(None) == 4


def test_without_a_balancer_the_trend_remains() -> None:
    pack = Pack(balancer=False)
    for n in range(10):
        pack.day(20 + 3.0 * n, steps_a_h=4)
    assert pack.verdict == NOT_COPING
    assert pack.figures["balancer_can_move_ah"] is None


def test_several_fulls_in_a_day_are_one_point() -> None:
    pack = Pack()
    for n in range(8):
        pack.day(20 + 3.0 * n, fulls=(9.0, 12.0, 16.0))
    fulls = pack.balancer.snapshot()["fulls"]
    assert len(fulls) == 8
    assert pack["spread_slope_mv"] == pytest.approx(3.0)
    assert pack["balancer_can_move_ah"] == pytest.approx(1.0, rel=0.06)


def test_a_pack_that_stays_full_has_days_too() -> None:
    pack = Pack()
    for hour in range(24 * 8):
        pack.seconds = hour * 3600.0
        held = hour % 24 < 3  # the charger holds the voltage for three hours a day
        pack.look(
            {
                "charge_state": "FULL",
                "since_full_h": 0.0 if held else hour % 24 - 2.0,
                "spread_at_full_mv": 30.0 + hour // 24,
                "cell_min_v": 3.48,
                "cell_max_v": 3.50,
                "cell_spread_mv": 30.0,
            }
        )
    assert len(pack.balancer.snapshot()["fulls"]) == 7
    assert pack["spread_slope_mv"] == pytest.approx(1.0)


def test_only_so_many_days_are_kept() -> None:
    pack = days([20 + 3.0 * n for n in range(KEPT + 5)])
    assert len(pack.balancer.snapshot()["fulls"]) == KEPT
    spring = Pack()
    spring.day(90.0, steps_a_h=4)
    spring.seconds += 90 * 86400.0
    spring.day(20.0, steps_a_h=4)
    assert len(spring.balancer.snapshot()["fulls"]) == 1


def test_what_is_not_known_breaks_nothing() -> None:
    pack = Pack()
    pack.day(30.0, steps_a_h=4)
    unknown: Figures = dict.fromkeys(
        ("charge_state", "cell_max_v", "cell_min_v", "cell_spread_mv", "since_full_h")
    )
    pack.look({**unknown, "spread_at_full_mv": 30.0})
    assert pack.verdict == TOO_EARLY
    assert len(pack.balancer.snapshot()["fulls"]) == 1


def test_a_restart_anywhere_changes_nothing() -> None:
    found = []
    for restarts in (False, True):
        pack, rng = Pack(restarts=restarts), random.Random(2)
        for n in range(9):
            pack.day(30 + 2.0 * n + rng.gauss(0, 2), 1 + 0.1 * n, fulls=(11.0, 15.0), steps_a_h=6)
        found.append((pack.figures, pack.balancer.snapshot()))
    assert found[0] == found[1]


# Slope and noise of the spread (mV), and what must never be said of it.
NOISY = [
    (0.0, 3.0, {CLOSING, NOT_COPING}),
    (0.0, 6.0, {CLOSING, NOT_COPING}),
    (2.0, 3.0, {CLOSING, HOLDING}),
    (-2.0, 3.0, {NOT_COPING, HOLDING}),
]


@pytest.mark.parametrize(("slope", "noise", "wrong"), NOISY)
def test_with_noise_it_is_seldom_wrong_and_mostly_right_in_a_month(
    slope: float, noise: float, wrong: set[str]
) -> None:
    rng = random.Random(5)
    early, late = [], []
    for _ in range(80):
        pack = Pack()
        for n in range(20):
            pack.day(70 + slope * n + rng.gauss(0, noise), steps_a_h=2)
            if n == 9:
                early.append(pack.verdict)
        late.append(pack.verdict)
    assert sum(v in wrong for v in early) <= 2
    assert sum(v in wrong for v in late) <= 2
    assert slope == 0 or TOO_EARLY not in late
