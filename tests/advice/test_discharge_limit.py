"""The suggested discharge current limit: a magnitude, and none without the keeper's word."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.advice.bench import START, limit_a, seen, tells
from watchd.advice.advice import Advice, PackState
from watchd.advice.discharge_limit import DischargeLimit
from watchd.config import Bank, Pack

ALDER = Pack(bank="hut", nameplate_ah=200.0, max_charge_a=100.0, max_discharge_a=150.0)
HUT = Bank(charge_voltage_v=56.0)


def pack(name: str = "alder", told: Pack = ALDER, *, amps: float = -20.0, **also: Any) -> PackState:
    """A pack that gives 20 A, its lowest cell at 3.30 V."""
    return seen(name, told, current_a=amps, also={"cell_min_v": 3.30, **also})


def advise(*packs: PackState, bank: Bank = HUT) -> Advice:
    return DischargeLimit(bank).update(START, packs)


def with_(**keys: Any) -> Pack:
    return Pack.model_validate({**ALDER.model_dump(), **keys})


@pytest.mark.parametrize(
    ("what", "bank", "packs", "amps", "limited_by"),
    [
        ("one pack", {}, [pack()], 150, "bank maximum"),
        ("two alike", {}, [pack(), pack("birch")], 300, "bank maximum"),
        ("the bank's own", {"max_discharge_a": 220}, [pack(), pack("birch")], 220, "bank maximum"),
        ("the busbar", {"bus_a": 130}, [pack()], 130, "bus"),
        ("a fuse: four fifths", {}, [pack(told=with_(fuse_a=125))], 100, "pack/alder fuse"),
        # A pack that gives seems to take nothing: its share is that of its nameplate.
        (
            "a smaller pack",
            {"max_discharge_a": 1000},
            [pack(), pack("birch", with_(nameplate_ah=100.0, max_discharge_a=60.0), amps=-10.0)],
            180,
            "pack/birch maximum",
        ),
        (
            "no temperature below its window",
            {},
            [pack(temperature_min_degc=-21.0)],
            0,
            "pack/alder temperature",
        ),
        ("below 0 it may still give", {}, [pack(temperature_min_degc=-5.0)], 150, "bank maximum"),
        ("the taper's end", {}, [pack(cell_min_v=2.70)], 0, "pack/alder taper"),
        ("its begin", {}, [pack(cell_min_v=3.05)], 150, "bank maximum"),
        ("halfway", {}, [pack(cell_min_v=2.875)], 75, "pack/alder taper"),
        (
            "learnt: the first cell to come to its limit",
            {},
            [pack(discharge_headroom_a=42.0, discharge_headroom_cell_no=3, horizon_mohm=8.0)],
            42,
            "pack/alder cell voltage",
        ),
        (
            "learnt: what charge may flow is another thing",
            {},
            [pack(charge_headroom_a=1.0, charge_headroom_cell_no=3, horizon_mohm=8.0)],
            150,
            "bank maximum",
        ),
    ],
)
def test_what_limits_it(
    what: str, bank: dict[str, float], packs: list[PackState], amps: float, limited_by: str
) -> None:
    advice = advise(*packs, bank=Bank.model_validate({"charge_voltage_v": 56.0, **bank}))
    assert advice.limited_by == limited_by, what
    assert advice.limit_a == pytest.approx(amps)


def test_learnt_packs_share_a_change_of_what_they_give() -> None:
    """40 A and 10 A are given; of each A more alder gives three quarters (6 and 18 mOhm)."""
    known: dict[str, Any] = {"discharge_headroom_cell_no": 3, "cell_min_v": 3.0}
    alder = pack(amps=-40.0, discharge_headroom_a=70.0, horizon_mohm=6.0, **known)
    birch = pack("birch", amps=-10.0, discharge_headroom_a=30.0, horizon_mohm=18.0, **known)
    advice = advise(alder, birch)
    assert advice.limit_a == 50 + 30 / 0.75
    tells(advice, "alder", "cell 3", "3.000 V", "2.700 V", "60 s", "75%")
    # Charged with 20 A by the sun, the same pack would come to its limit so much later.
    sunny = pack(amps=20.0, discharge_headroom_a=70.0, horizon_mohm=6.0, **known)
    assert limit_a(advise(sunny)) == 70


@pytest.mark.parametrize(
    ("min_v", "end_v"), [(2.50, 2.70), (2.60, 2.70), (2.80, 2.90)]
)  # the BMS's 2.60 V and the maker's, the higher of them, and a decivolt
def test_the_taper_ends_inside_the_higher_of_two_limits(min_v: float, end_v: float) -> None:
    told = with_(cell={"min_v": min_v})
    assert limit_a(advise(pack(told=told, cell_min_v=end_v))) == 0
    assert limit_a(advise(pack(told=told, cell_min_v=end_v + 0.005))) > 0


def test_there_is_none_where_the_config_does_not_say_what_a_pack_may_give() -> None:
    silent = Pack(bank="hut", nameplate_ah=200.0, max_charge_a=100.0)
    advice = advise(pack(), pack("birch", silent))
    assert (advice.limit_a, advice.limited_by) == (None, "withdrawn")
    tells(advice, "birch", "max_discharge_a")


@pytest.mark.parametrize(
    ("also", "because"),
    [
        ({"cell_min_v": None}, "cell voltages"),
        ({"cell_min_v": None, "telemetry_quality": "stale", "telemetry_overdue": "cell_v"},
         "no fresh cell_v"),
        ({"telemetry_frozen": True, "telemetry_frozen_what": "cell_v"}, "cell_v"),
        ({"telemetry_implausible": True, "telemetry_implausible_what": "sums"}, "sums"),
    ],
)  # fmt: skip
def test_it_is_withdrawn_while_a_pack_cannot_be_trusted(also: dict[str, Any], because: str) -> None:
    advice = advise(pack(), pack("birch", **also))
    assert (advice.limit_a, advice.limited_by, advice.parts) == (None, "withdrawn", ())
    tells(advice, "birch", because)


def test_a_pack_that_may_not_give_leaves_it_to_the_others() -> None:
    blocked = pack("birch", discharge_allowed=False, cell_min_v=2.5)
    assert (advise(pack(), blocked).limit_a, advise(blocked).limit_a) == (150, 0)
    assert advise(blocked).limited_by == "no pack may discharge"
    assert advise().limit_a == 0
    tells(advise(), "in service")
    assert advise(pack(discharge_allowed=None)).limit_a == 150
    # That the BMS lets it not charge is no matter here.
    assert advise(pack(charge_allowed=False)).limit_a == 150


def test_it_falls_at_once_rises_slowly_and_goes_on_after_a_restart() -> None:
    limit = DischargeLimit(HUT)
    assert limit.update(START, [pack()]).limit_a == 150
    assert limit.update(START + 5, [pack(cell_min_v=2.70)]).limit_a == 0
    again = DischargeLimit(HUT, json.loads(json.dumps(limit.snapshot())))
    for each in (limit, again):
        advice = each.update(START + 65, [pack()])
        assert (advice.limit_a, advice.limited_by) == (15, "slow rise")
