"""A BMS: it protects the cells, balances them, and counts charge with a sensor that errs."""

from collections.abc import Sequence
from dataclasses import dataclass

OVER_VOLTAGE = "over-voltage"
UNDER_VOLTAGE = "under-voltage"


@dataclass(frozen=True, slots=True)
class Protection:
    """Cell voltages at which a path opens, and closes again. Common practice, no source."""

    overvoltage_v: float = 3.65
    overvoltage_recovery_v: float = 3.55
    undervoltage_v: float = 2.60
    undervoltage_recovery_v: float = 2.90
    trip_delay_s: float = 2.0
    recovery_delay_s: float = 30.0


@dataclass(frozen=True, slots=True)
class Balancer:
    """It works on cells that are above a voltage and ahead of the lowest cell."""

    current_a: float
    from_v: float
    shuttles: bool
    """True: what leaves the highest cell arrives in the lowest. False: it becomes heat."""
    window_mv: float = 8.0

    def moves_ah(self, cells_v: Sequence[float], lasting_s: float) -> dict[int, float]:
        """Charge that cells gain, by their place in the pack."""
        lowest_v = min(cells_v)
        start_v = max(self.from_v, lowest_v + self.window_mv / 1000.0)
        step_ah = self.current_a * lasting_s / 3600.0
        if not self.shuttles:
            return {place: -step_ah for place, volts in enumerate(cells_v) if volts > start_v}
        highest_v = max(cells_v)
        if highest_v <= start_v:
            return {}
        return {cells_v.index(highest_v): -step_ah, cells_v.index(lowest_v): step_ah}


@dataclass(frozen=True, slots=True)
class Gauge:
    """How the BMS comes by its state of charge."""

    capacity_ah: float
    """What the BMS was told, which need not be true."""
    offset_a: float
    gain: float
    """Of the current sensor: it shows `gain * current + offset_a`."""
    full_at_v: float | None
    """Mean cell voltage that counts as 100 %; None: only an over-voltage trip does."""
    full_for_s: float = 60.0


class Bms:
    """The state of one BMS."""

    __slots__ = (
        "_full_s",
        "_recovering_s",
        "_tripping_s",
        "balancer",
        "balancing",
        "current_a",
        "gauge",
        "overvoltage",
        "protection",
        "soc_pct",
        "undervoltage",
    )

    def __init__(
        self, protection: Protection, balancer: Balancer, gauge: Gauge, soc_pct: float
    ) -> None:
        self.protection = protection
        self.balancer = balancer
        self.gauge = gauge
        self.soc_pct = soc_pct
        self.current_a = 0.0
        self.balancing = False
        self.overvoltage = False
        self.undervoltage = False
        self._tripping_s = 0.0
        self._recovering_s = 0.0
        self._full_s = 0.0

    @property
    def active(self) -> tuple[str, ...]:
        """Protections that have opened a path."""
        both = ((OVER_VOLTAGE, self.overvoltage), (UNDER_VOLTAGE, self.undervoltage))
        return tuple(name for name, tripped in both if tripped)

    def step(
        self, cells_v: Sequence[float], current_a: float, lasting_s: float
    ) -> dict[int, float]:
        """Watch for a while; the answer is what the balancer moves meanwhile."""
        self.current_a = self.gauge.gain * current_a + self.gauge.offset_a
        self.soc_pct += self.current_a * lasting_s / 36.0 / self.gauge.capacity_ah
        self.soc_pct = min(max(self.soc_pct, 0.0), 100.0)
        tripped_before = self.overvoltage
        self._protect(max(cells_v), min(cells_v), lasting_s)
        if self._is_full(cells_v, lasting_s, tripped=self.overvoltage and not tripped_before):
            self.soc_pct = 100.0
        moves_ah = self.balancer.moves_ah(cells_v, lasting_s)
        self.balancing = bool(moves_ah)
        return moves_ah

    def _protect(self, highest_v: float, lowest_v: float, lasting_s: float) -> None:
        limits = self.protection
        if not (self.overvoltage or self.undervoltage):
            outside = highest_v > limits.overvoltage_v or lowest_v < limits.undervoltage_v
            self._tripping_s = self._tripping_s + lasting_s if outside else 0.0
            if self._tripping_s >= limits.trip_delay_s:
                self.overvoltage = highest_v > limits.overvoltage_v
                self.undervoltage = lowest_v < limits.undervoltage_v
                self._tripping_s = 0.0
            return
        inside = (not self.overvoltage or highest_v < limits.overvoltage_recovery_v) and (
            not self.undervoltage or lowest_v > limits.undervoltage_recovery_v
        )
        self._recovering_s = self._recovering_s + lasting_s if inside else 0.0
        if self._recovering_s >= limits.recovery_delay_s:
            self.overvoltage = self.undervoltage = False
            self._recovering_s = 0.0

    def _is_full(self, cells_v: Sequence[float], lasting_s: float, *, tripped: bool) -> bool:
        if self.gauge.full_at_v is None:
            return tripped
        high_enough = sum(cells_v) / len(cells_v) >= self.gauge.full_at_v
        self._full_s = self._full_s + lasting_s if high_enough else 0.0
        return self._full_s >= self.gauge.full_for_s
