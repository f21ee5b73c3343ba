"""The BMS: when it trips and recovers, what its balancer moves, and how its counter errs."""

import pytest

from demo.skerry.bms import OVER_VOLTAGE, UNDER_VOLTAGE, Balancer, Bms, Gauge, Protection

IDLE = Balancer(current_a=1.0, from_v=4.0, shuttles=True)


def bms(*, full_at_v: float | None = None, balancer: Balancer = IDLE, soc_pct: float = 50.0) -> Bms:
    gauge = Gauge(capacity_ah=100.0, offset_a=0.0, gain=1.0, full_at_v=full_at_v)
    return Bms(Protection(), balancer, gauge, soc_pct)


def watch(one: Bms, highest_v: float, seconds: int, *, lowest_v: float = 3.3) -> tuple[str, ...]:
    """Let it watch the cells, and see what it has tripped on."""
    for _ in range(seconds):
        one.step([lowest_v, highest_v], 0.0, 1.0)
    return one.active


def test_trips_after_its_delay_and_recovers_below_the_recovery_voltage() -> None:
    one = bms()
    assert watch(one, 3.66, 1) == ()
    assert watch(one, 3.66, 1) == (OVER_VOLTAGE,)
    assert watch(one, 3.60, 600) == (OVER_VOLTAGE,)
    assert watch(one, 3.54, 29) == (OVER_VOLTAGE,)
    assert watch(one, 3.54, 1) == ()


def test_a_spike_shorter_than_the_delay_does_not_trip() -> None:
    one = bms()
    for _ in range(20):
        assert watch(one, 3.70, 1) == ()
        watch(one, 3.50, 1)


def test_under_voltage() -> None:
    one = bms()
    assert watch(one, 3.0, 2, lowest_v=2.55) == (UNDER_VOLTAGE,)
    assert watch(one, 3.0, 60, lowest_v=2.85) == (UNDER_VOLTAGE,)
    assert watch(one, 3.0, 30, lowest_v=2.95) == ()


def test_full_by_voltage() -> None:
    one = bms(full_at_v=3.48)
    watch(one, 3.50, 59, lowest_v=3.47)
    assert one.soc_pct == pytest.approx(50.0)
    watch(one, 3.50, 1, lowest_v=3.47)
    assert one.soc_pct == 100.0


def test_full_by_trip_alone() -> None:
    one = bms(full_at_v=None)
    watch(one, 3.60, 3600, lowest_v=3.60)
    assert one.soc_pct == pytest.approx(50.0)
    watch(one, 3.66, 2, lowest_v=3.60)
    assert one.soc_pct == 100.0


def test_counter_inherits_the_errors_of_its_sensor() -> None:
    gauge = Gauge(capacity_ah=100.0, offset_a=-0.5, gain=0.98, full_at_v=None)
    one = Bms(Protection(), IDLE, gauge, 50.0)
    for _ in range(3600):
        one.step([3.3, 3.3], 20.0, 1.0)
    assert one.soc_pct == pytest.approx(50.0 + 0.98 * 20.0 - 0.5)


def test_a_shuttling_balancer_moves_charge_and_loses_none() -> None:
    moves = Balancer(current_a=0.6, from_v=3.40, shuttles=True).moves_ah([3.41, 3.50, 3.44], 3600.0)
    assert moves == {1: pytest.approx(-0.6), 0: pytest.approx(0.6)}


def test_a_bleeding_balancer_takes_from_every_cell_that_is_ahead() -> None:
    moves = Balancer(current_a=0.1, from_v=3.40, shuttles=False).moves_ah(
        [3.41, 3.50, 3.44], 3600.0
    )
    assert moves == {1: pytest.approx(-0.1), 2: pytest.approx(-0.1)}


def test_balancers_rest_below_their_start_voltage() -> None:
    for shuttles in (True, False):
        assert Balancer(0.6, 3.40, shuttles=shuttles).moves_ah([3.30, 3.39], 1.0) == {}
