"""What is known of one pack at one moment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class Quality(StrEnum):
    """Quality of a pack's telemetry, in Sparkplug's words."""

    GOOD = "good"
    BAD = "bad"
    STALE = "stale"


# Not frozen, as one is made of each message and a frozen one costs seven times as much; nobody
# changes one.
@dataclass(slots=True)
class Sample:
    """Telemetry of a pack as of `at` (Unix s). None is "not known": not mapped, or stale.

    `measured_at` gives the time of each measurement that is known; `renewed` names what the
    message that caused this sample brought; `overdue` what should have come and has not.
    """

    at: float
    voltage_v: float | None
    current_a: float | None
    soc_pct: float | None
    cell_v: tuple[float, ...] | None
    temperature_degc: tuple[float, ...] | None
    charge_allowed: bool | None
    discharge_allowed: bool | None
    balancing: bool | None
    protection: tuple[str, ...] | None
    settings: Mapping[str, float]
    measured_at: Mapping[str, float]
    renewed: frozenset[str]
    overdue: tuple[str, ...]
    age_s: float
    quality: Quality | None  # None: listening, and not everything has come yet
