"""How packs in parallel share a current: Millman's theorem, with switches.

A BMS may let current through one way only.
"""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Branch:
    """A pack as the busbar sees it."""

    source_v: float
    resistance_ohm: float
    charge_allowed: bool = True
    discharge_allowed: bool = True

    def conducts(self, bus_v: float) -> bool:
        """Whether the BMS lets through what this voltage of the busbar would drive."""
        return self.charge_allowed if bus_v > self.source_v else self.discharge_allowed

    def current_a(self, bus_v: float) -> float:
        """Current into the pack at this voltage of the busbar."""
        return (bus_v - self.source_v) / self.resistance_ohm if self.conducts(bus_v) else 0.0


@dataclass(frozen=True, slots=True)
class Shared:
    """What the busbar settled at."""

    bus_v: float
    currents_a: tuple[float, ...]

    @property
    def total_a(self) -> float:
        """Current into all packs."""
        return sum(self.currents_a)


def at_voltage(branches: Sequence[Branch], bus_v: float) -> Shared:
    """Currents when something holds the busbar at a voltage."""
    return Shared(bus_v, tuple(branch.current_a(bus_v) for branch in branches))


def at_current(branches: Sequence[Branch], total_a: float, *, open_v: float) -> Shared:
    """Voltage at which the packs take this current together.

    Their sum rises with the voltage in straight pieces, with a kink where a pack changes from
    giving to taking: find the piece, then Millman's theorem for the packs that conduct in it. Where
    no pack may take the current, the busbar goes to `open_v`; where none may give it, it gets none.
    """
    kinks_v = sorted(branch.source_v for branch in branches)
    below = sum(at_voltage(branches, kink_v).total_a < total_a for kink_v in kinks_v)
    takes = [below > 0 and branch.source_v <= kinks_v[below - 1] for branch in branches]
    conducting = [
        branch
        for branch, taking in zip(branches, takes, strict=True)
        if (branch.charge_allowed if taking else branch.discharge_allowed)
    ]
    if not conducting:
        return at_voltage(branches, kinks_v[0] if below == 0 else max(open_v, kinks_v[-1]))
    conductance = sum(1.0 / branch.resistance_ohm for branch in conducting)
    pushed_a = sum(branch.source_v / branch.resistance_ohm for branch in conducting)
    return at_voltage(branches, (total_a + pushed_a) / conductance)
