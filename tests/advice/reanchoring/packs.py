"""A pack whose BMS shows too little, for the tests of re-anchoring. Numbers are invented."""

from __future__ import annotations

from typing import Any

from watchd.advice.reanchoring.carrying import Other, without
from watchd.advice.reanchoring.states import Procedure, Reading, Step, Way
from watchd.advice.reanchoring.threshold import Plan
from watchd.config import Bms, Cell, Pack
from watchd.figures import Figures

KNEE_V = 3.40
START = 1_790_000_000.0
CAN = without(
    "alder",
    {"current_a": 4.0},
    [Other("birch", 200.0, 100.0, 150.0, {"telemetry_quality": "good", "current_a": 8.0})],
)


def alder(*, max_v: float = 3.65, **bms: float) -> Pack:
    """A pack of 16 cells; `bms` has keys of its BMS."""
    settings: dict[str, Any] = {"full_v": 3.55, **bms}
    return Pack(
        bank="hut",
        nameplate_ah=200.0,
        max_charge_a=100.0,
        max_discharge_a=150.0,
        cell=Cell(max_v=max_v),
        bms=Bms(**settings),
    )


def figures(**changed: Any) -> Figures:
    """As they are when it can be done: full this afternoon, 24 mV between leader and mean."""
    return {
        "charge_voltage_v": 56.0,
        "telemetry_quality": "good",
        "soc_pct": 88.0,
        "soc_estimate_pct": 99.5,
        "soc_error_pct": -11.5,
        "soc_estimate_sigma_pct": 0.6,
        "cell_max_v": 3.36,
        "cell_mean_v": 3.35,
        "cell_max_at_full_v": 3.524,
        "cell_mean_at_full_v": 3.5,
        "cell_min_at_full_v": 3.49,
        "since_full_h": 4.0,
        "full_count": 7,
        "charge_state": "CHARGING",
        "temperature_min_degc": 15.0,
        "temperature_max_degc": 18.0,
        "charge_min_degc": 0.0,
        "charge_max_degc": 45.0,
        "protection": (),
        "protection_trip": False,
        "trip_events": None,
        "trips_24h": 0,
        "charge_allowed": True,
        "current_a": 12.0,
        "absorption_h": 0.5,
        "reanchors_at": None,
        "reanchored_at_charge_voltage": 0,
        "reanchored_at_overvoltage": 0,
        "full_charges_missed": 0,
        "absorption_missed_h": None,
        "absorption_reanchored_h": None,
        "setting_overvoltage_v": None,
        "setting_overvoltage_recovery_v": None,
        "setting_full_v": None,
        **changed,
    }


PLAN = Plan(
    threshold_v=3.515,
    restore_v=3.65,
    recovery_v=3.465,
    restore_recovery_v=3.55,
    least_v=3.5,
    most_v=3.524,
)


def begun(way: Way = Way.THRESHOLD, **changed: Any) -> Procedure:
    """One that has just begun."""
    known: dict[str, Any] = {
        "pack": "alder",
        "way": way,
        "step": Step.APPROACHING if way is Way.ABSORPTION else Step.WAITING,
        "begun_at": START,
        "since": START,
        "before": Reading(88.0, 99.5, -11.5, 0.6),
        "charge_voltage_v": 56.0,
        "carrying": CAN.text,
        "holding": CAN.holding,
    }
    if way is Way.THRESHOLD:
        known["plan"] = PLAN
    elif way is Way.FULL_SETTING:
        known |= {"full_v": 3.485, "full_before_v": 3.55}
    else:
        known["asked_h"] = 1.5
    return Procedure(**{**known, **changed})
