"""Limits that are likely in another unit than their figure: 0.03 for 30 mV, 3400 for 3.4 V."""

from __future__ import annotations

from dataclasses import dataclass

from watchd.figures import unit_sign
from watchd.language.intervals import Interval

KELVIN = 273.15


@dataclass(frozen=True, slots=True)
class _Other:
    """Another unit of the same quantity: `factor` turns a number of it into ours."""

    sign: str
    factor: float


# Where a number is far beyond what the figure can be, and a thousandth of it is not.
_SMALLER = {"v": "mV", "a": "mA", "ah": "mAh"}
# Less than this is finer than any sensor of the trade (common practice, no source).
_FINEST = {
    "mv": (0.5, _Other("V", 1000.0)),
    "w": (0.5, _Other("kW", 1000.0)),
    "mohm": (0.005, _Other("Ω", 1000.0)),
}
# Of a quantity without an end the differences and slopes may be as fine as that.
_UNBOUNDED = ("mohm",)
# A state of charge, or a share, of less than one percent.
_PART_OF_WHOLE = Interval(-10.0, 110.0)


def likely_unit(figure: str, unit: str, possible: Interval, number: float) -> str | None:
    """What is likely meant by a limit in the wrong unit; None where nothing speaks for one.

    `figure` is as written, `possible` what it can be, in `unit`.
    """
    sign = unit_sign(unit)
    if not possible.low <= number <= possible.high:
        end = possible.high if number > possible.high else possible.low
        never = f"'{figure}' is in {sign} and never {_beyond(number, end)} {end:g} {sign}"
        if unit in _SMALLER and possible.low <= number / 1000 <= possible.high:
            return f"{never}; for {number:g} {_SMALLER[unit]} write {number / 1000:g}"
        celsius = round(number - KELVIN, 1)
        if unit == "degc" and possible.low <= celsius <= possible.high:
            return f"{never}; for {number:g} K write {celsius:g}"
        return None
    if unit == "pct" and 0 < number < 1 and _within(possible, _PART_OF_WHOLE):
        return (
            f"'{figure}' is in %, and {number:g} % is next to nothing; "
            f"for {number:g} of the whole write {100 * number:g}"
        )
    finest, other = _FINEST.get(unit, (0.0, None))
    bounded = unit in _UNBOUNDED or abs(possible.high) < float("inf")
    if other is not None and 0 < abs(number) < finest and bounded:
        meant = f"{number * other.factor:.6g}"
        return (
            f"{number:g} {sign} is finer than any sensor; for {number:g} {other.sign} write {meant}"
        )
    return None


def _beyond(number: float, end: float) -> str:
    return "above" if number > end else "below"


def _within(one: Interval, other: Interval) -> bool:
    return other.low <= one.low and one.high <= other.high
