"""What advice is: a limit, what rules it and why; or none, and why there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from watchd.config import Pack
from watchd.figures import Figures

# What a change must be to be said at once; smaller ones wait for the next renewal.
LEAST_RISE_A = 1.0
LEAST_FALL_A = 0.5
LEAST_FALL_PART = 0.1  # of what was said before
LEAST_CHANGE_V = 0.05


class Kind(StrEnum):
    """What is suggested for a bank; also a level of its topic."""

    CHARGE_LIMIT = "charge-limit"
    DISCHARGE_LIMIT = "discharge-limit"
    CHARGE_VOLTAGE = "charge-voltage"


@dataclass(frozen=True, slots=True)
class Cap:
    """What a raised rule caps the charge current at, in A; `pack` None caps the bank."""

    pack: str | None
    rule: str
    limit_a: float


@dataclass(frozen=True, slots=True)
class PackState:
    """A pack with what is known of it now. `has_temperature`: a source maps it.

    `trip_wanted`: a temporary over-voltage threshold is set, and its trip is waited for.
    """

    name: str
    pack: Pack
    figures: Figures
    has_temperature: bool
    trip_wanted: bool = False


@dataclass(frozen=True, slots=True)
class OwnLimit:
    """What one pack may carry because of one thing, in A, and why.

    `stops`: nothing may flow into the pack, so nothing into the bank, however the packs share.
    """

    what: str
    limit_a: float
    because: str
    stops: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """What the bank may carry because of one thing, in A, and why.

    `pack_limit_a` is the pack's own limit, `share` the part of the bus current, or of a change of
    it, that the pack is counted with.
    """

    what: str
    limit_a: float
    because: str
    pack_limit_a: float | None = None
    share: float | None = None


@dataclass(frozen=True, slots=True)
class Advice:
    """A suggested current limit: `limit_a` None is "no advice", and `because` says why."""

    limit_a: float | None
    limited_by: str
    because: str
    parts: tuple[Part, ...] = ()

    @property
    def amount(self) -> float | None:
        """The plain number."""
        return self.limit_a

    def as_data(self) -> dict[str, Any]:
        """Plain data, for a payload."""
        parts = [{k: v for k, v in asdict(p).items() if v is not None} for p in self.parts]
        return {
            "limit_a": self.limit_a,
            "limited_by": self.limited_by,
            "because": self.because,
            "parts": parts,
        }


@dataclass(frozen=True, slots=True)
class VoltageAdvice:
    """A suggested charge voltage of the bank: `voltage_v` None is "no advice"."""

    voltage_v: float | None
    limited_by: str
    because: str

    @property
    def amount(self) -> float | None:
        """The plain number."""
        return self.voltage_v

    def as_data(self) -> dict[str, Any]:
        """Plain data, for a payload."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Advised:
    """What was said of a bank, and when in Unix seconds."""

    at: float
    bank: str
    kind: Kind
    advice: Advice | VoltageAdvice


def worth_saying(before: Advice | VoltageAdvice | None, now: Advice | VoltageAdvice) -> bool:
    """Whether a change is worth a message of its own, before the next renewal."""
    if before is None or (before.amount is None) != (now.amount is None):
        return True
    if before.amount is None or now.amount is None:
        return before.because != now.because
    # Rounded: amps are said in tenths, and in floats 0.9 is less than a tenth below 1.0.
    change = round(now.amount - before.amount, 3)
    if isinstance(now, VoltageAdvice):
        return abs(change) >= LEAST_CHANGE_V
    least_fall_a = min(LEAST_FALL_A, round(LEAST_FALL_PART * before.amount, 3))
    return change >= LEAST_RISE_A or (change < 0 and -change >= least_fall_a)


def measured(state: PackState, name: str) -> float:
    """A figure that `missing` found known. Raises ValueError where it is not."""
    value = state.figures[name]
    if not isinstance(value, float):
        raise ValueError(f"{name} of {state.name} is not known")  # noqa: TRY004 - a value
    return value


def missing(state: PackState, needed: tuple[str, ...]) -> str | None:
    """Why no advice can rest on this pack; None where it can.

    `needed` names the figures that must be known; temperature too, where a source maps it.
    """
    figures = state.figures
    names = (*needed, "temperature_min_degc") if state.has_temperature else needed
    if any(figures[name] is None for name in names):
        if figures["telemetry_quality"] == "stale":
            return f"{state.name} sends no fresh {figures['telemetry_overdue']}"
        return f"not all of {state.name}'s cell voltages, current and temperature have come yet"
    for name in ("telemetry_frozen", "telemetry_implausible"):
        if figures.get(name):
            return f"what {state.name} sends cannot be trusted: {figures.get(f'{name}_what')}"
    return None


def first_missing(states: Sequence[PackState], needed: tuple[str, ...]) -> str | None:
    """Why no advice can rest on these packs; None where it can."""
    return next((why for state in states if (why := missing(state, needed)) is not None), None)
