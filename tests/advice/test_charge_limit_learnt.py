"""The suggested charge current limit by what is learnt, and by what the keeper's wiring carries."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from tests.advice.bench import ALDER, PROFILE, ROOMY, START, advise, limit_a, seen, tells
from watchd.advice.advice import Advice, Cap, PackState
from watchd.advice.charge_limit import ChargeLimit
from watchd.advice.hold import Held
from watchd.config import Bank, Pack


def learnt(
    name: str = "alder",
    *,
    headroom_a: float = 300.0,
    mohm: float = 8.0,
    amps: float = 20.0,
    cell: int = 7,
    pack: Pack = ALDER,
    **known: Any,
) -> PackState:
    """A pack whose resistance is known; its highest cell is the seventh."""
    also = {
        "charge_headroom_a": headroom_a,
        "charge_headroom_cell_no": cell,
        "horizon_mohm": mohm,
        **known.pop("also", {}),
    }
    return seen(name, pack, current_a=amps, also=also, **known)


@pytest.mark.parametrize("offset_a", [-2.0, 0.0, 2.0])
def test_a_pack_that_must_take_nothing_stops_the_bank_whatever_its_sensor_says(
    offset_a: float,
) -> None:
    cold = learnt(amps=offset_a, temperature_degc=-1.0)
    assert advise(cold, learnt("birch"), bank=ROOMY).limit_a == 0
    capped = (Cap("alder", "charging-cold", 0.0),)
    assert advise(learnt(amps=offset_a), learnt("birch"), caps=capped, bank=ROOMY).limit_a == 0


def test_the_first_cell_to_come_to_its_limit_rules() -> None:
    advice = advise(learnt(headroom_a=42.0, cell_max_v=3.47))
    assert (advice.limit_a, advice.limited_by) == (42, "pack/alder cell voltage")
    tells(advice, "alder", "cell 7, now at 3.470 V, would pass", "3.600 V", "60 s", "100%")


def test_of_a_worst_path_it_does_not_tell_the_voltage_of_another_cell() -> None:
    advice = advise(learnt(headroom_a=42.0, cell_max_v=3.47, cell=2))
    tells(advice, "alder's cell 2 would pass 3.600 V")
    assert "3.470" not in advice.because


def test_what_it_says_the_cell_comes_to_is_below_a_lowered_threshold() -> None:
    tells(advise(learnt(headroom_a=42.0, setting_overvoltage_v=3.55)), "3.500 V")


def test_learnt_it_knows_no_taper() -> None:
    # At 3.55 V the taper leaves 5 A of a pack of which nothing is learnt.
    assert advise(learnt(headroom_a=42.0, cell_max_v=3.55)).limit_a == 42
    assert advise(seen(cell_max_v=3.55)).limit_a == 5


def test_a_change_of_current_goes_to_the_packs_by_their_resistance() -> None:
    """Of 60 A alder has 45 A, and of each A more two thirds (12 and 24 mOhm)."""
    alder = learnt(headroom_a=65.0, mohm=12.0, amps=45.0)
    advice = advise(alder, learnt("birch", mohm=24.0, amps=15.0), bank=ROOMY)
    assert advice.limit_a == 90  # 60 + 20 / (2/3)
    tells(advice, "67%", "of each A more alder carries")
    part = next(p for p in advice.parts if p.what == "pack/alder cell voltage")
    assert (part.pack_limit_a, part.share) == (65, 0.6667)


def test_with_one_pack_of_which_nothing_is_learnt_shares_go_by_nameplate() -> None:
    advice = advise(learnt(headroom_a=42.0, amps=45.0), seen("birch", current_a=45.0), bank=ROOMY)
    assert (advice.limit_a, advice.limited_by) == (84, "pack/alder cell voltage")
    tells(advice, "50% of the current")


def test_a_pack_that_is_at_more_than_it_may_brings_the_bank_down() -> None:
    over = learnt(headroom_a=30.0, mohm=10.0, amps=50.0)
    assert advise(over, learnt("birch", mohm=10.0, amps=50.0), bank=ROOMY).limit_a == 60
    assert advise(over, learnt("birch", mohm=10.0, amps=-45.0), bank=ROOMY).limit_a == 0


@pytest.mark.parametrize(
    ("what", "bank", "pack", "amps", "limited_by"),
    [
        ("busbar and wiring", {"bus_a": 80}, {}, 80, "bus"),
        ("more than the packs may take", {"bus_a": 400}, {}, 100, "pack/alder maximum"),
        ("a fuse carries four fifths for hours", {}, {"fuse_a": 100}, 80, "pack/alder fuse"),
        ("a large fuse", {}, {"fuse_a": 250}, 100, "pack/alder maximum"),
    ],
)
def test_wiring(
    what: str, bank: dict[str, float], pack: dict[str, float], amps: float, limited_by: str
) -> None:
    hut = Bank.model_validate({"charge_voltage_v": 56.0, "max_charge_a": 1000.0, **bank})
    advice = advise(seen(pack=ALDER.model_copy(update=pack)), bank=hut)
    assert (advice.limit_a, advice.limited_by) == (amps, limited_by), what
    tells(advice, f"{amps:g} A")


def test_the_fuse_of_one_of_two_packs_holds_for_its_part() -> None:
    fused = seen(pack=ALDER.model_copy(update={"fuse_a": 50.0}))
    assert advise(fused, seen("birch"), bank=ROOMY).limit_a == 80


def wanted(state: PackState) -> PackState:
    return replace(state, trip_wanted=True)


@pytest.mark.parametrize(
    ("what", "state", "amps"),
    [
        ("far from it: the tail current", learnt(), 10),
        ("nor held back by what is learnt", learnt(headroom_a=0.0), 10),
        ("nor by the lowered threshold", learnt(headroom_a=0.0, setting_overvoltage_v=3.45), 10),
        ("nothing learnt, past the lowered threshold",
         seen(cell_max_v=3.46, setting_overvoltage_v=3.45), 10),
        ("toward the usual threshold less and less", seen(cell_max_v=3.55), 5),
        ("and nothing before it", learnt(cell_max_v=3.60), 0),
    ],
)  # fmt: skip
def test_on_the_way_to_a_trip_that_is_wanted(what: str, state: PackState, amps: float) -> None:
    advice = advise(wanted(state))
    assert (advice.limit_a, advice.limited_by) == (amps, "pack/alder re-anchoring"), what
    tells(advice, "alder", "trip", "re-anchors")


def test_all_else_counts_on_the_way_to_a_trip_too() -> None:
    caps = (Cap("alder", "cell-spread-wide", 4.0),)
    assert advise(wanted(learnt()), caps=caps).limited_by == "pack/alder rule cell-spread-wide"
    assert advise(wanted(learnt(temperature_degc=-1.0))).limit_a == 0
    sheet = ALDER.model_copy(update={"cell": ALDER.cell.model_copy(update={"max_v": 3.50})})
    assert advise(wanted(learnt(pack=sheet, cell_max_v=3.46))).limit_a == 0


def held(*packs: PackState, **holds: float) -> Advice:
    of = {name: Held(amps, 3.5, f"{name} is held") for name, amps in holds.items()}
    return ChargeLimit(ROOMY, PROFILE).update(START, packs, (), of)


def test_a_hold_leaves_its_pack_what_the_balancer_takes() -> None:
    advice = held(learnt(amps=10.0), learnt("birch", amps=10.0), alder=1.0)
    assert (advice.limit_a, advice.limited_by) == (2, "pack/alder balancing hold")
    tells(advice, "alder is held")
    assert held(learnt(headroom_a=0.5), alder=1.0).limited_by == "pack/alder cell voltage"


@pytest.mark.parametrize(
    ("also", "because"),
    [
        ({"telemetry_frozen": True, "telemetry_frozen_what": "cell_v stands still"}, "still"),
        (
            {"telemetry_implausible": True, "telemetry_implausible_what": "cells do not sum"},
            "cells do not sum",
        ),
    ],
)
@pytest.mark.parametrize("charge_allowed", [True, False])
def test_it_is_withdrawn_while_what_a_pack_sends_cannot_be_trusted(
    also: dict[str, Any], because: str, charge_allowed: bool
) -> None:
    distrusted = learnt("birch", also=also, charge_allowed=charge_allowed)
    advice = advise(learnt(), distrusted)
    assert (advice.limit_a, advice.limited_by, advice.parts) == (None, "withdrawn", ())
    tells(advice, "birch", "cannot be trusted", because)
    trusted = dict.fromkeys(also, False)
    assert limit_a(advise(learnt(), learnt("birch", also=trusted))) > 0
    unknown = dict.fromkeys(also)
    assert limit_a(advise(learnt(), learnt("birch", also=unknown))) > 0


def test_small_rises_wait_after_a_fall() -> None:
    limit = ChargeLimit(ROOMY, PROFILE)
    story = {0: 60.0, 10: 40.0, 20: 41.9, 60: 41.9, 69: 41.9, 70: 41.9, 80: 41.0, 90: 90.0}
    found = {
        s: limit.update(START + s, [learnt(headroom_a=a)], ()).limit_a for s, a in story.items()
    }
    # 5 % of 40 A are 2 A. A minute after the fall it rises, by a tenth of 100 A a minute.
    assert found == {0: 60, 10: 40, 20: 40, 60: 40, 69: 40, 70: 40.1, 80: 41, 90: 42.6}


def test_it_knows_after_a_restart_when_it_fell() -> None:
    limit = ChargeLimit(ROOMY, PROFILE)
    for at, headroom_a in ((0, 60.0), (10, 40.0)):
        limit.update(START + at, [learnt(headroom_a=headroom_a)], ())
    again = ChargeLimit(ROOMY, PROFILE, json.loads(json.dumps(limit.snapshot())))
    assert again.update(START + 60, [learnt(headroom_a=41.0)], ()).limit_a == 40


def test_of_little_a_rise_of_less_than_an_ampere_is_small() -> None:
    limit = ChargeLimit(ROOMY, PROFILE)
    story = {0: 6.0, 10: 4.0, 60: 4.9, 70: 5.0}
    found = [limit.update(START + s, [learnt(headroom_a=a)], ()).limit_a for s, a in story.items()]
    assert found == [6, 4, 4, 5]
