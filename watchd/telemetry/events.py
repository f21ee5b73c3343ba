"""Names of protection events, as SunSpec's battery models have them (Evt1 of model 802).

SunSpec gives most events two levels, `_ALARM` and `_WARNING`. A name without a level is taken
as the alarm: BMSs in the field seldom report two.
Source: SunSpec model 802, point Evt1; a test holds this list against the official file.
"""

from __future__ import annotations

_TWO_LEVELS = (
    "OVER_TEMP",
    "UNDER_TEMP",
    "OVER_CHARGE_CURRENT",
    "OVER_DISCHARGE_CURRENT",
    "OVER_VOLT",
    "UNDER_VOLT",
    "UNDER_SOC_MIN",
    "OVER_SOC_MAX",
    "TEMPERATURE_IMBALANCE",
    "OTHER",
)
_WARNINGS = ("VOLTAGE_IMBALANCE_WARNING", "CURRENT_IMBALANCE_WARNING", "CONFIGURATION_WARNING")
_OTHERS = (
    "COMMUNICATION_ERROR",
    "CONTACTOR_ERROR",
    "FAN_ERROR",
    "GROUND_FAULT",
    "OPEN_DOOR_ERROR",
    "CONFIGURATION_ALARM",
)
EVENTS: tuple[str, ...] = (
    *_TWO_LEVELS,
    *(f"{name}_ALARM" for name in _TWO_LEVELS),
    *(f"{name}_WARNING" for name in _TWO_LEVELS),
    *_WARNINGS,
    *_OTHERS,
)


# A trip is the protection of the pack that acts. A lost link, a fan or an imbalance is trouble too,
# but the BMS does not disconnect for it (common practice, no source).
_TRIPS = frozenset(
    name + level
    for name in _TWO_LEVELS
    if name != "TEMPERATURE_IMBALANCE"
    for level in ("", "_ALARM")
)


def is_trip(event: str) -> bool:
    """Whether the event means that a protection of the BMS acted, not only that it warns."""
    return event in _TRIPS
