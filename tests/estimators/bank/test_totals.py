"""Figures of a bank, from those of its packs."""

from __future__ import annotations

import pytest

from watchd.estimators.bank.totals import Totals, bank_figures
from watchd.figures import Figures, Value


def pack(**figures: Value) -> Figures:
    """A pack of 230 Ah at 80 %, charging, unless told otherwise."""
    return {
        "voltage_v": 53.2,
        "current_a": 23.0,
        "power_w": 1223.6,
        "soc_pct": 80.0,
        "nameplate_ah": 230.0,
        "cell_max_v": 3.34,
        "cell_min_v": 3.32,
        "telemetry_quality": "good",
        "telemetry_overdue": "none",
        "charge_allowed": True,
        "charge_state": "CHARGING",
        **figures,
    }


BIRCH = pack(
    voltage_v=53.3,
    current_a=-10.5,
    power_w=-559.65,
    soc_pct=50.0,
    nameplate_ah=100.0,
    cell_max_v=3.41,
    cell_min_v=3.31,
    charge_state="DISCHARGING",
)


def test_two_packs_by_hand() -> None:
    assert bank_figures({"alder": pack(), "birch": BIRCH}) == {
        "voltage_v": 53.3,
        "current_a": 12.5,
        "power_w": 663.95,
        "soc_pct": 70.909,  # (230 Ah * 80 % + 100 Ah * 50 %) / 330 Ah = 23400 / 330
        "nameplate_ah": 330.0,
        "cell_max_v": 3.41,
        "cell_min_v": 3.31,
        "packs": 2.0,
        "packs_silent": 0.0,
        "packs_fresh": 2,
        "packs_charging_allowed": 2,
        "all_full": False,
    }


@pytest.mark.parametrize(
    ("unknown", "lost"),
    [
        ("voltage_v", {"voltage_v"}),
        ("current_a", {"current_a"}),
        ("power_w", {"power_w"}),
        ("soc_pct", {"soc_pct"}),
        ("cell_max_v", {"cell_max_v"}),
        ("cell_min_v", {"cell_min_v"}),
        ("charge_allowed", {"packs_charging_allowed"}),
        ("charge_state", {"all_full"}),
    ],
)
def test_what_is_unknown_of_one_is_unknown_of_all(unknown: str, lost: set[str]) -> None:
    # A sum over the packs that happen to be known would be a guess dressed as a figure.
    found = bank_figures({"alder": pack(), "birch": {**BIRCH, unknown: None}})
    assert {name for name, value in found.items() if value is None} == lost


@pytest.mark.parametrize(
    ("qualities", "fresh"),
    [(("good", "good"), 2), (("good", "bad"), 2), (("stale", "good"), 1), (("stale", "stale"), 0)],
)
def test_fresh_packs(qualities: tuple[str, str], fresh: int) -> None:
    packs = {str(n): pack(telemetry_quality=q) for n, q in enumerate(qualities)}
    assert bank_figures(packs)["packs_fresh"] == fresh


@pytest.mark.parametrize(
    ("states", "all_full"),
    [
        (("FULL", "FULL"), True),
        (("FULL", "HOLDING"), False),
        (("FULL", None), None),
        ((), None),
    ],
)
def test_all_full(states: tuple[str | None, ...], all_full: bool | None) -> None:
    packs = {str(n): pack(charge_state=state) for n, state in enumerate(states)}
    assert bank_figures(packs)["all_full"] is all_full


@pytest.mark.parametrize(("allowed", "count"), [((True, True), 2), ((True, False), 1)])
def test_packs_that_may_charge(allowed: tuple[bool, bool], count: int) -> None:
    packs = {str(n): pack(charge_allowed=a) for n, a in enumerate(allowed)}
    assert bank_figures(packs)["packs_charging_allowed"] == count


def test_a_bank_without_a_pack_in_service() -> None:
    found = bank_figures({})
    assert [found[n] for n in ("voltage_v", "soc_pct", "cell_max_v", "packs_fresh")] == [
        None, None, None, 0
    ]  # fmt: skip
    assert (found["current_a"], found["nameplate_ah"]) == (0, 0)


def test_what_is_taken_one_by_one_is_what_all_of_them_give() -> None:
    packs = {"alder": pack(), "birch": pack()}
    totals = Totals([230.0, 230.0])
    for index, figures in enumerate(packs.values()):
        totals.take(index, figures)
    changes: list[tuple[str, dict[str, Value]]] = [
        ("alder", {"current_a": -3.1, "power_w": -165.0}),
        ("birch", {"soc_pct": None, "charge_state": "FULL"}),
        ("alder", {"charge_state": "FULL", "telemetry_overdue": "everything"}),
        ("birch", {"soc_pct": 71.3, "cell_max_v": None, "charge_allowed": None}),
        ("alder", {"telemetry_quality": "stale", "voltage_v": 52.9}),
        ("birch", {"cell_max_v": 3.2, "cell_min_v": 3.1, "charge_allowed": False}),
    ]
    for name, also in changes:
        packs[name].update(also)
        totals.take(list(packs).index(name), packs[name])
        found, anew = totals.figures, bank_figures(packs)
        assert list(found.items()) == list(anew.items())
