"""What advice is: a limit, what rules it and why; or none, and why there is none.

The processes of a replay hand it to each other. A compiled class can be pickled only by a
`__reduce__` of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from watchd.config import Pack
from watchd.figures import Figures

# What a change must be to be said at once; smaller ones wait for the next renewal.
LEAST_RISE_A = 1.0
LEAST_FALL_A = 0.5
LEAST_FALL_PART = 0.1  # of what was said before
LEAST_CHANGE_V = 0.05
# Figures that say that what a pack sends means nothing.
UNTRUSTED = ("telemetry_frozen", "telemetry_implausible")


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


@dataclass(slots=True, eq=False)
class PackState:
    """A pack with what is known of it now. `has_temperature`: a source maps it.

    Never changed, though not frozen: one is made for each sample, and that would double its cost.

    `trip_wanted`: a temporary over-voltage threshold is set, and its trip is waited for. Of a pack
    that was evaluated anew there is another `PackState`; while it is the same one, nothing of it
    has changed (`OfPacks`), though its figures may be a mapping that the next evaluation renews.
    """

    name: str
    pack: Pack
    figures: Figures
    has_temperature: bool
    trip_wanted: bool = False


@dataclass(frozen=True, slots=True)
class OwnLimit:
    """What one pack may carry because of one thing, in A; `why` tells the reason when asked.

    `stops`: nothing may flow into the pack, so nothing into the bank, however the packs share.
    """

    what: str
    limit_a: float
    why: Callable[[], str]
    stops: bool = False

    @property
    def because(self) -> str:
        """The reason."""
        return self.why()


@dataclass(slots=True, unsafe_hash=True)
class Part:
    """What the bank may carry because of one thing, in A, and why. Never changed, as `PackState`.

    `pack_limit_a` is the pack's own limit, `share` the part of the bus current, or of a change of
    it, that the pack is counted with.
    """

    what: str
    limit_a: float
    because: str
    pack_limit_a: float | None = None
    share: float | None = None

    def as_data(self) -> dict[str, Any]:
        """Plain data, for a payload, without what is not known."""
        data: dict[str, Any] = {"what": self.what, "limit_a": self.limit_a, "because": self.because}
        if self.pack_limit_a is not None:
            data["pack_limit_a"] = self.pack_limit_a
        if self.share is not None:
            data["share"] = self.share
        return data

    def __reduce__(self) -> tuple[Any, ...]:
        given = self.what, self.limit_a, self.because, self.pack_limit_a, self.share
        return Part, given


class Advice:
    """A suggested current limit: `limit_a` None is "no advice", and `because` says why.

    A limit is made with each sample and said now and then, so its reason and parts may be left to
    `why`, which is asked for them once, when somebody reads them.
    """

    __slots__ = ("_because", "_parts", "_why", "amount", "limit_a", "limited_by")

    def __init__(
        self,
        limit_a: float | None,
        limited_by: str,
        because: str = "",
        parts: tuple[Part, ...] = (),
        *,
        why: Callable[[], tuple[str, tuple[Part, ...]]] | None = None,
    ) -> None:
        self.limit_a = self.amount = limit_a  # `amount`: the plain number, of any kind of advice
        self.limited_by = limited_by
        self._because, self._parts, self._why = because, parts, why

    @property
    def because(self) -> str:
        """The reason, a sentence."""
        self._ask()
        return self._because

    @property
    def parts(self) -> tuple[Part, ...]:
        """What the bank may carry because of each thing."""
        self._ask()
        return self._parts

    def as_data(self) -> dict[str, Any]:
        """Plain data, for a payload."""
        return {
            "limit_a": self.limit_a,
            "limited_by": self.limited_by,
            "because": self.because,
            "parts": [part.as_data() for part in self.parts],
        }

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Advice) and self._whole() == other._whole()

    def __hash__(self) -> int:
        return hash(self._whole())

    def __repr__(self) -> str:
        return (
            f"Advice(limit_a={self.limit_a!r}, limited_by={self.limited_by!r}, "
            f"because={self.because!r}, parts={self.parts!r})"
        )

    def __reduce__(self) -> tuple[Any, ...]:
        return Advice, self._whole()

    def _whole(self) -> tuple[object, ...]:
        return self.limit_a, self.limited_by, self.because, self.parts

    def _ask(self) -> None:
        if self._why is not None:
            self._because, self._parts = self._why()
            self._why = None


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
        return {
            "voltage_v": self.voltage_v,
            "limited_by": self.limited_by,
            "because": self.because,
        }

    def __reduce__(self) -> tuple[Any, ...]:
        return VoltageAdvice, (self.voltage_v, self.limited_by, self.because)


@dataclass(frozen=True, slots=True)
class Advised:
    """What was said of a bank, and when in Unix seconds."""

    at: float
    bank: str
    kind: Kind
    advice: Advice | VoltageAdvice

    def __reduce__(self) -> tuple[Any, ...]:
        return Advised, (self.at, self.bank, self.kind, self.advice)


def worth_saying(before: Advice | VoltageAdvice | None, now: Advice | VoltageAdvice) -> bool:
    """Whether a change is worth a message of its own, before the next renewal."""
    if before is now:
        return False
    if before is None:
        return True
    was, amount = before.amount, now.amount
    if was is None or amount is None:
        return was is not amount or before.because != now.because
    if was == amount:
        return False
    # Rounded: amps are said in tenths, and in floats 0.9 is less than a tenth below 1.0.
    change = round(amount - was, 3)
    if isinstance(now, VoltageAdvice):
        return abs(change) >= LEAST_CHANGE_V
    least_fall_a = min(LEAST_FALL_A, round(LEAST_FALL_PART * was, 3))
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
    for name in needed:
        if figures[name] is None:
            return _not_come(state)
    if state.has_temperature and figures["temperature_min_degc"] is None:
        return _not_come(state)
    get = figures.get
    for name in UNTRUSTED:
        if get(name):
            return f"what {state.name} sends cannot be trusted: {get(f'{name}_what')}"
    return None


def _not_come(state: PackState) -> str:
    if state.figures["telemetry_quality"] == "stale":
        return f"{state.name} sends no fresh {state.figures['telemetry_overdue']}"
    return f"not all of {state.name}'s cell voltages, current and temperature have come yet"
