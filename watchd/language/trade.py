"""Numbers with their unit, rounded as the trade writes them; times as durations."""

from __future__ import annotations

from watchd.durations import SECONDS
from watchd.figures import unit_sign

# Below it volts are those of a cell, which wants the millivolt; above it, of a pack.
CELL_BELOW_V = 6.0
WHOLE_FROM = 10.0
_DECIMALS = {"mohm": 2}
# Nobody reads more of a duration than its largest unit that makes at least two.
_LEAST = 2.0


def show_amount(value: float, unit: str) -> str:
    """A number in `unit` (as at the end of a figure's name; "" for none) as a person reads it.

    >>> show_amount(3.6123, "v"), show_amount(53.12, "v"), show_amount(6.24, "a")
    ('3.612 V', '53.1 V', '6.2 A')
    >>> show_amount(912, "s"), show_amount(0.366, "h"), show_amount(7.0, "")
    ('15 min', '22 min', '7')
    """
    if unit in SECONDS:
        return show_lasting(value * SECONDS[unit])
    number = _number(value, _decimals(value, unit))
    return f"{number} {unit_sign(unit)}" if unit else number


def show_lasting(seconds: float) -> str:
    """A duration without the digits that nobody reads.

    >>> show_lasting(45), show_lasting(912), show_lasting(3 * 3600), show_lasting(1_440_000)
    ('45 s', '15 min', '3 h', '17 d')
    """
    for unit, size in reversed(SECONDS.items()):
        if seconds >= _LEAST * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} s"


def _decimals(value: float, unit: str) -> int:
    if unit == "v":
        return 3 if abs(value) < CELL_BELOW_V else 1
    if unit in _DECIMALS:
        return _DECIMALS[unit]
    return 0 if abs(value) >= WHOLE_FROM or round(value, 1) == round(value) else 1


def _number(value: float, decimals: int) -> str:
    # z: what rounds to nothing has no sign.
    return format(value, f"z.{decimals}f")
