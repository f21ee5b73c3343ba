"""The balancing hold: when it begins, what it leaves a pack, and when it ends."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from tests.advice.bench import START, seen
from watchd.advice.advice import PackState
from watchd.advice.hold import BalancingHold, Held
from watchd.config import Balancer, Bank, Pack

HOUR_S = 3600.0
ALDER = Pack(
    bank="hut",
    nameplate_ah=200.0,
    max_charge_a=100.0,
    balancer=Balancer(current_a=1.0, from_v=3.40),
)
HUT = Bank(charge_voltage_v=56.0)


def top(name: str = "alder", told: Pack = ALDER, **also: Any) -> PackState:
    """Cell 7 is 3 Ah ahead and at its limit, and the pack at its tail current of 10 A."""
    known = {
        "cell_max_v": 3.58,
        "cell_max_no": 7,
        "cell_spread_mv": 150.0,
        "current_a": 5.0,
        "charge_headroom_a": 5.0,
        "charge_headroom_cell_no": 7,
        "imbalance_ah": 3.0,
        "imbalance_sigma_ah": 0.3,
        "imbalance_cell_no": 7,
        "soc_estimate_pct": 98.0,
    }
    return seen(name, told, also={**known, **also})


def hold(*packs: PackState, left_h: float | None = None) -> dict[str, Held]:
    return BalancingHold(HUT).update(START, packs, left_h)


def without_balancer(state: PackState) -> PackState:
    return replace(state, pack=state.pack.model_copy(update={"balancer": None}))


def low(name: str = "birch", **also: Any) -> PackState:
    """A pack without a leading cell, at its tail current."""
    return top(name, cell_max_v=3.45, cell_spread_mv=5.0, imbalance_ah=0.1, **also)


BEGINS: list[tuple[str, list[PackState], float | None]] = [
    ("all holds", [top()], None),
    ("and there is time: 4 Ah of 200 take a fifth of an hour", [top()], 0.71),
    ("the BMS does not say whether it allows charge", [top(charge_allowed=None)], None),
    ("it is sure enough", [top(imbalance_sigma_ah=0.9)], None),
    ("at six tenths of its tail current", [top(current_a=6.0)], None),
    ("at rest", [top(current_a=0.0)], None),
    ("with hardly any current out", [top(current_a=-2.0)], None),
    ("another pack, at its tail too", [top(), low()], None),
    ("another pack that may not charge has none", [top(), low(charge_allowed=False)], None),
    ("a SoC that is not known lacks nothing", [top(soc_estimate_pct=None)], 0.51),
]
NOT: list[tuple[str, list[PackState], float | None]] = [
    ("no balancer", [without_balancer(top())], None),
    ("its trip is waited for", [replace(top(), trip_wanted=True)], None),
    ("its BMS blocks the charge", [top(charge_allowed=False)], None),
    ("its voltage is not known", [top(cell_max_v=None)], None),
    ("its current is not known", [top(current_a=None)], None),
    ("the cells are together", [top(cell_spread_mv=14.9)], None),
    ("its cell is below the balancer's begin", [top(cell_max_v=3.399)], None),
    ("it gives", [top(current_a=-2.1)], None),
    ("it takes more than that", [top(current_a=6.1)], None),
    ("it has room for more", [top(charge_headroom_a=6.1)], None),
    ("its room is not known", [top(charge_headroom_a=None)], None),
    ("another cell is the first to its limit", [top(charge_headroom_cell_no=3)], None),
    ("the imbalance is not known", [top(imbalance_ah=None)], None),
    ("nor how sure it is", [top(imbalance_sigma_ah=None)], None),
    ("it is unsure", [top(imbalance_sigma_ah=1.0)], None),
    ("it is below half a percent", [top(imbalance_ah=1.0, imbalance_sigma_ah=0.1)], None),
    ("another pack takes more", [top(), low(current_a=6.1)], None),
    ("another, whose BMS does not say", [top(), low(current_a=50.0, charge_allowed=None)], None),
    ("another's current is not known", [top(), low(current_a=None)], None),
    ("the sun is nearly gone", [top()], 0.69),
]


@pytest.mark.parametrize(("what", "packs", "left_h"), BEGINS, ids=[c[0] for c in BEGINS])
def test_it_begins(what: str, packs: list[PackState], left_h: float | None) -> None:
    assert list(hold(*packs, left_h=left_h)) == ["alder"], what


@pytest.mark.parametrize(("what", "packs", "left_h"), NOT, ids=[c[0] for c in NOT])
def test_it_does_not_begin(what: str, packs: list[PackState], left_h: float | None) -> None:
    assert hold(*packs, left_h=left_h) == {}, what


@pytest.mark.parametrize(
    ("where", "cell_max_v", "balancer_a", "amps"),
    [
        ("above where it is wanted: what the balancer takes", 3.58, 1.0, 1.0),
        ("at it", 3.50, 1.0, 1.0),
        ("sinking: a little more", 3.45, 1.0, 5.5),
        ("at the balancer's begin: the tail", 3.40, 1.0, 10.0),
        ("a balancer that moves more than the tail", 3.45, 15.0, 15.0),
    ],
)
def test_what_it_leaves(where: str, cell_max_v: float, balancer_a: float, amps: float) -> None:
    balancer = Balancer(current_a=balancer_a, from_v=3.40)
    found = hold(top(told=ALDER.model_copy(update={"balancer": balancer}), cell_max_v=cell_max_v))
    assert found["alder"].limit_a == pytest.approx(amps), where
    assert found["alder"].target_v == pytest.approx(3.50)
    for words in ("alder's cell 7", "3.0 Ah ahead", "3.50 V", f"{balancer_a:g} A"):
        assert words in found["alder"].because


class Day:
    """One hold as time goes on, a look each minute."""

    def __init__(self, bank: Bank = HUT) -> None:
        self.bank, self.hold, self.hours = bank, BalancingHold(bank), 0.0

    def run(self, hours: float, *packs: PackState, left_h: float | None = None) -> float:
        """The hours of them in which a pack was held."""
        held = 0
        for _ in range(round(hours * 60)):
            held += bool(self.hold.update(START + self.hours * HOUR_S, packs, left_h))
            self.hours += 1 / 60
        return held / 60

    def restart(self) -> None:
        self.hold = BalancingHold(self.bank, json.loads(json.dumps(self.hold.snapshot())))


def test_once_begun_it_needs_less_to_go_on() -> None:
    day = Day()
    assert day.run(0.5, top(current_a=20.0)) == 0
    assert day.run(0.1, top()) == pytest.approx(0.1)
    # Held, the cell sinks, has room again, and clouds make another pack's current swing.
    later = top(cell_max_v=3.47, charge_headroom_a=40.0, current_a=15.0, imbalance_ah=None)
    assert day.run(0.5, later, low(current_a=40.0)) == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("what", "state"),
    [
        ("the cells are together", top(cell_spread_mv=10.0)),
        ("its cell has sunk", top(cell_max_v=3.39)),
        ("it gives current", top(current_a=-10.0)),
        ("it is blocked", top(charge_allowed=False)),
        ("its telemetry is gone", top(cell_max_v=None, current_a=None)),
    ],
)
def test_it_ends_and_must_begin_anew(what: str, state: PackState) -> None:
    day = Day()
    day.run(0.1, top())
    assert day.run(0.1, state) == 0, what
    assert day.run(0.1, top(charge_headroom_a=40.0)) == 0, what


@pytest.mark.parametrize("before_h", [0.0, 0.5, 5.0, 7.5, 20.0])
def test_a_day_has_only_so_much_of_it_whenever_it_begins(before_h: float) -> None:
    day = Day()
    assert day.run(before_h, top(current_a=50.0)) == 0
    assert day.run(6.0, top()) == pytest.approx(3.0, abs=0.02)


def test_what_is_spent_is_spent_until_another_day() -> None:
    day = Day()
    assert day.run(2.0, top()) == pytest.approx(2.0)
    assert day.run(4.0, low()) == 0
    day.restart()
    assert day.run(3.0, top()) == pytest.approx(1.0, abs=0.02)
    assert day.run(6.0, low()) == 0
    assert day.run(2.0, top()) == pytest.approx(2.0)


def test_none_at_all_where_the_keeper_wants_none() -> None:
    settings = {"balancing_hold": {"at_most": "0 s"}}
    bank = Bank.model_validate({"charge_voltage_v": 56.0, "charge_limit": settings})
    assert Day(bank).run(0.2, top()) == 0


def test_it_ends_while_there_is_sun_for_what_is_missing() -> None:
    day = Day()
    assert day.run(0.2, top(), left_h=2.0) == pytest.approx(0.2)
    assert day.run(0.2, top(), left_h=0.6) == 0
    # Two packs: of 400 Ah 24 are missing.
    packs = top(), low(soc_estimate_pct=90.0)
    assert (list(hold(*packs, left_h=1.09)), list(hold(*packs, left_h=1.11))) == ([], ["alder"])


def test_a_restart_in_the_middle_changes_nothing() -> None:
    whole, resumed = Day(), Day()
    for day in (whole, resumed):
        day.run(1.0, top())
    resumed.restart()
    sunk = top(cell_max_v=3.45, charge_headroom_a=60.0)
    assert whole.run(4.0, sunk) == resumed.run(4.0, sunk) == pytest.approx(2.0, abs=0.02)
