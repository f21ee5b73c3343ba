"""What a check of one pack is, and how the checks compare and write voltages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from watchd.advice.audit.finding import Advised
from watchd.advice.audit.sheet import Sheet

# 56.0 V over 15 cells is no round number, and no BMS is set to half a millivolt.
_SAME_V = 0.0005


@dataclass(frozen=True, slots=True)
class Check:
    """One thing to look at. `find` says what is found, with the values; None where all is well."""

    advised: Advised
    find: Callable[[Sheet], str | None]


def above(volts: float, other: float, by: float = 0.0) -> bool:
    """Whether `volts` is more than `by` above `other`, as far as a BMS can tell."""
    return volts - other > by + _SAME_V


def within(volts: float, other: float, least: float) -> bool:
    """Whether `volts` is less than `least` above `other`."""
    return above(least, volts - other)


def v(volts: float) -> str:
    """A cell's voltage for people."""
    return f"{volts:.3f} V"


def mv(volts: float) -> str:
    """A difference of cells' voltages for people."""
    return f"{1000.0 * volts:.0f} mV"
