"""The temporary threshold: its value by hand, and each reason why there is none."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.advice.reanchoring.packs import KNEE_V, alder, figures
from watchd.advice.reanchoring.threshold import MOST_LEAD_V, plan
from watchd.config import Pack


def test_just_below_where_the_leader_came_and_above_the_charge_voltage_per_cell() -> None:
    made, refusals = plan(alder(), figures(), KNEE_V)
    assert refusals == ()
    assert made is not None
    # 3.524 V less a quarter of its lead of 24 mV is 3.518 V; down to 5 mV: 3.515 V.
    assert made.threshold_v == 3.515
    assert 56.0 / 16 < made.threshold_v < 3.524
    assert made.restore_v == 3.65


def test_a_small_lead_leaves_as_much_as_a_meter_is_off() -> None:
    made, _ = plan(alder(), figures(cell_max_at_full_v=3.512), KNEE_V)
    assert made is not None
    assert made.threshold_v == 3.505  # 3.512 less 5 mV, down to 5 mV


def test_a_recovery_above_the_threshold_is_lowered_first() -> None:
    made, _ = plan(alder(), figures(), KNEE_V)
    assert made is not None
    assert (made.recovery_v, made.restore_recovery_v) == (3.465, 3.55)


def test_a_recovery_that_is_low_enough_stays() -> None:
    made, _ = plan(alder(overvoltage_recovery_v=3.45), figures(), KNEE_V)
    assert made is not None
    assert (made.recovery_v, made.restore_recovery_v) == (None, None)


EVEN = {"cell_max_at_full_v": 3.506, "cell_mean_at_full_v": 3.5}
HIGH = {
    "charge_voltage_v": 58.4,
    "cell_max_at_full_v": 3.664,
    "cell_mean_at_full_v": 3.65,
}
LOW = {
    "charge_voltage_v": 54.7,
    "cell_max_at_full_v": 3.44,
    "cell_mean_at_full_v": 3.42,
    "cell_min_at_full_v": 3.41,
}
PRESENT = {"cell_max_v": 3.50, "cell_mean_v": 3.45}
REFUSED: dict[str, tuple[dict[str, Any], Pack, str]] = {
    "stale": (
        {"telemetry_quality": "stale"},
        alder(),
        "the telemetry of the pack is not good now: watchd could not watch it happen",
    ),
    "bad": (
        {"telemetry_quality": "bad"},
        alder(),
        "the telemetry of the pack is not good now: watchd could not watch it happen",
    ),
    "temperature unknown": (
        {"temperature_min_degc": None},
        alder(),
        "the temperature of the pack is not known",
    ),
    "cold": (
        {"temperature_min_degc": 4.9},
        alder(),
        "the pack is cold: 4.9 °C, and it should have 5 °C or more",
    ),
    "hot": (
        {"temperature_max_degc": 41.0},
        alder(),
        "the pack is hot: 41.0 °C, and it should have 40 °C or less",
    ),
    "a trip stands": (
        {"protection_trip": True, "trip_events": "UNDER_TEMP"},
        alder(),
        "a protection trip stands: UNDER_TEMP",
    ),
    "trips go on": (
        {"trips_24h": 3},
        alder(),
        "3 protection trips in 24 h: their cause comes first",
    ),
    "trips not seen": (
        {"protection_trip": None},
        alder(),
        "the protection events of the pack are not known: watchd could not see a trip",
    ),
    "may not charge": (
        {"charge_allowed": False},
        alder(),
        "its BMS does not let the pack charge",
    ),
    "reports another": (
        {"setting_overvoltage_v": 3.60},
        alder(),
        (
            "the BMS reports overvoltage_v 3.600 V and the config has 3.650 V: bring them together "
            "first"
        ),
    ),
    "reports another recovery": (
        {"setting_overvoltage_recovery_v": 3.50},
        alder(),
        (
            "the BMS reports overvoltage_recovery_v 3.500 V and the config has 3.550 V: bring them "
            "together first"
        ),
    ),
    "today's above the maximum": (
        {},
        alder(max_v=3.60),
        "today's threshold, 3.650 V, is above the cell maker's maximum, 3.600 V: that comes first",
    ),
    "never full": (
        {"cell_max_at_full_v": None},
        alder(),
        "no full charge was seen yet: where the cells then stand is not known",
    ),
    "long ago": (
        {"since_full_h": 20 * 24.0},
        alder(),
        "the last full charge is too old: 20 d ago, and it should be 14 d or less",
    ),
    "spread too wide": (
        {"cell_max_at_full_v": 3.545},
        alder(),
        (
            "the spread is too wide: the highest cell is 45 mV above the mean at the top, and 40 "
            "mV is the most; it would trip long before the pack is full. Balance first"
        ),
    ),
    "spread too wide now": (
        PRESENT,
        alder(),
        (
            "the spread is too wide: the highest cell is 50 mV above the mean at the top, and 40 "
            "mV is the most; it would trip long before the pack is full. Balance first"
        ),
    ),
    "above the cell's maximum": (
        HIGH,
        alder(overvoltage_v=3.65, overvoltage_recovery_v=3.5),
        (
            "it would be 3.655 V, above the cell maker's maximum of 3.650 V: the charge voltage is "
            "too high for these cells"
        ),
    ),
    "not below today's": (
        {},
        alder(overvoltage_v=3.52, overvoltage_recovery_v=3.45),
        "it would be 3.515 V, and today's threshold is 3.520 V: there is nothing to lower",
    ),
    "no cell comes there": (
        EVEN,
        alder(),
        (
            "at full the highest cell stands at 3.506 V, and the charge voltage is 3.500 V a cell: "
            "no cell comes to a threshold above that"
        ),
    ),
    "no recovery": (
        LOW,
        alder(),
        (
            "the recovery would have to go down to 3.385 V, to where a full cell rests (the knee "
            "is at 3.400 V): the pack would not come back by itself"
        ),
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_it_is_refused_with_its_reason(case: str) -> None:
    changed, pack, reason = REFUSED[case]
    made, refusals = plan(pack, figures(**changed), KNEE_V)
    assert made is None
    assert refusals == (reason,)


def test_every_reason_is_told_at_once() -> None:
    _, refusals = plan(alder(), figures(telemetry_quality="stale", trips_24h=4), KNEE_V)
    assert len(refusals) == 2


def test_on_the_flat_part_the_present_spread_tells_nothing() -> None:
    made, _ = plan(alder(), figures(cell_max_v=3.40, cell_mean_v=3.33), KNEE_V)
    assert made is not None


volts = st.floats(3.3, 3.75, allow_nan=False)


@settings(max_examples=400, deadline=None, derandomize=True, database=None)
@given(
    charge_v=st.floats(52.0, 59.0),
    mean=volts,
    lead=st.floats(0.0, 0.08),
    max_v=st.floats(3.45, 3.75),
    ov=st.floats(3.4, 3.8),
    gap=st.floats(0.03, 0.3),
)
def test_whatever_the_pack_a_plan_is_safe(
    charge_v: float, mean: float, lead: float, max_v: float, ov: float, gap: float
) -> None:
    pack = alder(max_v=max_v, overvoltage_v=ov, overvoltage_recovery_v=ov - gap)
    seen = figures(
        charge_voltage_v=charge_v, cell_mean_at_full_v=mean, cell_max_at_full_v=mean + lead
    )
    made, refusals = plan(pack, seen, KNEE_V)
    assert (made is None) == bool(refusals)
    if made is None:
        return
    assert charge_v / 16 < made.threshold_v <= max_v + 1e-6
    assert made.threshold_v < min(ov, mean + lead)  # reachable, and lower than today's
    assert lead <= MOST_LEAD_V + 1e-9
    recovery_v = made.recovery_v if made.recovery_v is not None else ov - gap
    assert recovery_v <= made.threshold_v - 0.02 + 2e-6
    assert made.recovery_v is None or made.recovery_v > KNEE_V
    assert (made.recovery_v is None) == (made.restore_recovery_v is None)
