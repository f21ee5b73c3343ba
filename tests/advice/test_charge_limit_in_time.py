"""The suggested charge current limit as time goes on: it falls at once and rises slowly."""

from __future__ import annotations

import json

import pytest

from tests.advice.bench import PROFILE, ROOMY, START, limit_a, seen, tells
from watchd.advice.charge_limit import ChargeLimit
from watchd.config import Bank
from watchd.config import ChargeLimit as LimitSettings


def slow(rise_a_min: float | None = 30.0) -> ChargeLimit:
    settings = LimitSettings(rise_a_min=rise_a_min)
    return ChargeLimit(
        Bank(charge_voltage_v=56.0, max_charge_a=100.0, charge_limit=settings), PROFILE
    )


def test_it_falls_at_once_and_rises_slowly() -> None:
    limit = slow()
    volts = {0: 3.33, 10: 3.55, 20: 3.33, 30: 3.33, 60: 3.33, 61: 3.50, 62: 3.33, 1000: 3.33}
    found = {s: limit.update(START + s, [seen(cell_max_v=v)], ()) for s, v in volts.items()}
    # 30 A a minute is 5 A in 10 s.
    assert {s: a.limit_a for s, a in found.items()} == {
        0: 100, 10: 5, 20: 10, 30: 15, 60: 30, 61: 10, 62: 10.5, 1000: 100
    }  # fmt: skip
    assert found[20].limited_by == "slow rise"
    tells(found[20], "toward 100.0 A", "the bank's own limit")
    assert found[1000].limited_by == "bank maximum"


def test_unless_told_it_rises_by_a_tenth_of_the_most_a_minute() -> None:
    limit = slow(None)
    limit.update(START, [seen(cell_max_v=3.60)], ())
    assert limit.update(START + 60, [seen()], ()).limit_a == 10


def test_a_rise_goes_no_further_than_its_aim() -> None:
    limit = slow()
    limit.update(START, [seen(cell_max_v=3.55)], ())
    advice = limit.update(START + 60, [seen(cell_max_v=3.50)], ())
    assert (advice.limit_a, advice.limited_by) == (10, "pack/alder taper")


def test_it_rises_from_nothing_once_a_pack_may_charge_again() -> None:
    limit = slow()
    limit.update(START, [seen(charge_allowed=False)], ())
    assert limit.update(START + 10, [seen()], ()).limit_a == 5


def test_many_small_steps_rise_like_one() -> None:
    limit = slow()
    limit.update(START, [seen(cell_max_v=3.60)], ())
    advices = [limit.update(START + tenth / 10, [seen()], ()) for tenth in range(1, 1201)]
    assert limit_a(advices[-1]) == pytest.approx(60, abs=0.1)


def test_a_withdrawal_does_not_turn_the_slow_rise_into_a_jump() -> None:
    limit = slow()
    limit.update(START, [seen(cell_max_v=3.60)], ())
    assert limit.update(START + 10, [seen(cell_max_v=None)], ()).limit_a is None
    assert limit.update(START + 20, [seen()], ()).limit_a == 10
    # After a long silence the time has been long enough.
    assert limit.update(START + 30, [seen(cell_max_v=None)], ()).limit_a is None
    assert limit.update(START + 600, [seen()], ()).limit_a == 100


def test_it_goes_on_after_a_restart() -> None:
    limit = slow()
    limit.update(START, [seen(cell_max_v=3.60)], ())
    saved = json.loads(json.dumps(limit.snapshot()))
    again = ChargeLimit(
        Bank(
            charge_voltage_v=56.0,
            max_charge_a=100.0,
            charge_limit=LimitSettings(rise_a_min=30.0),
        ),
        PROFILE,
        saved,
    )
    assert again.update(START + 10, [seen()], ()).limit_a == 5


def test_it_remembers_over_a_restart_how_the_packs_share() -> None:
    limit = ChargeLimit(ROOMY, PROFILE)
    for second in range(0, 600, 5):
        limit.update(START + second, [seen(current_a=75.0), seen("birch", current_a=25.0)], ())
    again = ChargeLimit(ROOMY, PROFILE, json.loads(json.dumps(limit.snapshot())))
    resting = [seen(current_a=0.0), seen("birch", current_a=0.0)]
    _, alder, birch = again.update(START + 605, resting, ()).parts
    assert alder.share == pytest.approx(0.75, abs=1e-3)
    assert birch.share == 0.5  # never counted with less than its part of the nameplate


@pytest.mark.parametrize("damage", [{"limit_a": -(10**30)}, {"limit_at": START + 1e6}])
def test_from_a_damaged_state_it_rises_from_nothing(damage: dict[str, float]) -> None:
    limit = slow()
    limit.update(START, [seen(cell_max_v=3.55)], ())
    saved = json.loads(json.dumps(limit.snapshot()))
    saved["limit"] |= damage
    again = ChargeLimit(
        Bank(
            charge_voltage_v=56.0, max_charge_a=100.0, charge_limit=LimitSettings(rise_a_min=30.0)
        ),
        PROFILE,
        saved,
    )
    assert again.update(START + 10, [seen()], ()).limit_a == 0
    assert again.update(START + 20, [seen()], ()).limit_a == 5


def test_a_snapshot_does_not_move_with_time() -> None:
    limit = ChargeLimit(ROOMY, PROFILE)
    greedy = [seen(current_a=75.0), seen("birch", current_a=25.0)]
    limit.update(START, greedy, ())
    saved = limit.snapshot()
    kept = repr(saved)
    limit.update(START + 60, greedy, ())
    assert repr(saved) == kept
