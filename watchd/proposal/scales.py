"""Units from magnitude, from words, and from what must agree: cells and pack, amperes and watts.

Ranges are common practice, no source: they tell units apart, they judge no pack.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from watchd.proposal.cells import is_sum
from watchd.proposal.guess import Certainty, Guess, span
from watchd.proposal.vocabulary import has, is_soc

DOWN = (1.0, 0.001, 0.01, 0.1)
_NAMES = {1.0: "", 0.1: "tenths of ", 0.01: "hundredths of ", 0.001: "m"}
POWER_WITHIN, POWER_WITHIN_W = 0.06, 3.0
LEAST_TELLING_A = 1.0
MOST_PACK_A = 600.0
KELVIN = -273.15


def unit_of(scale: float, sign: str) -> str:
    """`mV`, `tenths of A`."""
    return f"{_NAMES[scale]}{sign}"


def voltage(values: Sequence[float], sum_v: float | None, words: Sequence[str]) -> Guess | None:
    """Scale of a pack's voltage, against the sum of its cells; None where it is none."""
    middle, seen = median(values), span(values)
    if sum_v is not None:
        for scale in DOWN:
            if is_sum(middle * scale, sum_v):
                why = f"{seen} {unit_of(scale, 'V')}: the cells add up to {sum_v:.2f} V"
                return Guess(scale, Certainty.SURE, why)
        return None
    for scale in DOWN:
        if 9.0 <= middle * scale <= 120.0:
            certainty = Certainty.LIKELY if "mv" not in words or scale == 0.001 else None
            why = f"{seen} {unit_of(scale, 'V')}, by its size alone: no cells to compare with"
            return Guess(scale, certainty or Certainty.NOT_SURE, why)
    return None


@dataclass(frozen=True, slots=True)
class Powered:
    """A power that is volts times amperes, at the moments of the current's values."""

    shown: str
    watts: Sequence[tuple[float, float]]  # raw amperes, raw watts


def current(
    values: Sequence[float], words: Sequence[str], volts: float | None, power: Powered | None
) -> Guess:
    """Scale of a current (never negative), from a power, a word, or its size."""
    seen, most = span(values), max(abs(v) for v in values)
    if power is not None and volts is not None:
        found = _from_power(power, volts)
        if found is not None:
            scale, amps, watts = found
            why = (
                f"{seen} {unit_of(scale, 'A')}: {volts:.1f} V x {amps:.1f} A is the "
                f"{watts:.0f} W of {power.shown}"
            )
            return Guess(scale, Certainty.SURE, why)
    for word, scale in (
        ("ma", 0.001),
        ("milliamps", 0.001),
        ("da", 0.1),
        ("deciamps", 0.1),
        ("ca", 0.01),
        ("centiamps", 0.01),
    ):
        if word in words and most * scale <= MOST_PACK_A:
            return Guess(scale, Certainty.LIKELY, f"{seen} {unit_of(scale, 'A')}, by its name")
    is_whole = all(v.is_integer() for v in values)
    if most > 2 * MOST_PACK_A:
        scale = 0.001 if most * 0.01 > MOST_PACK_A or most > 5000 else 0.01
        why = f"{seen}: too large for A, likely {unit_of(scale, 'A')}; compare with a clamp meter"
        return Guess(scale, Certainty.NOT_SURE, why)
    if is_whole and most >= 200:
        why = f"{seen}: whole and large, so likely tenths of A; compare with a clamp meter"
        return Guess(0.1, Certainty.NOT_SURE, why)
    if is_whole and most >= LEAST_TELLING_A:
        why = f"{seen} A; whole numbers may also be tenths: compare with a clamp meter"
        return Guess(1.0, Certainty.NOT_SURE, why)
    if most < LEAST_TELLING_A:
        return Guess(1.0, Certainty.NOT_SURE, f"{seen}: too little flows to tell A from others")
    return Guess(1.0, Certainty.LIKELY, f"{seen} A, by its size and its decimals")


def _from_power(power: Powered, volts: float) -> tuple[float, float, float] | None:
    telling = [(a, w) for a, w in power.watts if a and abs(w) > 5 * POWER_WITHIN_W]
    if not telling:
        return None
    for scale in DOWN:
        fits = [
            abs(abs(volts * a * scale) - abs(w)) <= max(POWER_WITHIN * abs(w), POWER_WITHIN_W)
            for a, w in telling
        ]
        if sum(fits) >= 0.7 * len(fits):
            amps, watts = max(telling, key=lambda pair: abs(pair[1]))
            return scale, abs(amps) * scale, abs(watts)
    return None


def soc(values: Sequence[float], words: Sequence[str]) -> Guess | None:
    """Scale that makes percent of a state of charge."""
    if not is_soc(words) or min(values) < 0:
        return None
    seen, most = span(values), max(values)
    if most <= 1.0 and any(not v.is_integer() for v in values):
        return Guess(100.0, Certainty.LIKELY, f"{seen}: a part of 1, so times 100")
    if most <= 1.0:
        why = f"{seen}: 1 may be 1 % or all of it; look again at another state of charge"
        return Guess(1.0, Certainty.NOT_SURE, why)
    if most <= 105.0:
        return Guess(1.0, Certainty.SURE, f"{seen} %, by its name and its size")
    if most <= 1050.0:
        return Guess(0.1, Certainty.LIKELY, f"{seen}: above 100, so tenths of %")
    if most <= 10500.0:
        return Guess(0.01, Certainty.LIKELY, f"{seen}: above 1000, so hundredths of %")
    return None


@dataclass(frozen=True, slots=True)
class Degrees:
    """Scale and offset of a temperature."""

    scale: float
    offset: float
    certainty: Certainty
    reason: str


def temperature(values: Sequence[float], words: Sequence[str]) -> Degrees | None:
    """Unit of temperatures of cells; None where they can be none."""
    low, high, seen = min(values), max(values), span(values)
    is_whole = all(v.is_integer() for v in values)
    sure, likely, unsure = Certainty.SURE, Certainty.LIKELY, Certainty.NOT_SURE
    if has(words, frozenset({"fahrenheit", "degf"})):
        return Degrees(round(5 / 9, 6), -17.777778, likely, f"{seen} °F, by its name")
    if has(words, frozenset({"kelvin", "degk"})) and low >= 200 and high <= 360:
        return Degrees(1.0, KELVIN, sure, f"{seen} K, by its name and its size")
    if low >= 2300 and high <= 3400 and is_whole:
        why = f"{seen}: tenths of K, {span([v * 0.1 + KELVIN for v in values], 1)} °C"
        return Degrees(0.1, KELVIN, likely, why)
    if low >= 250 and high <= 335:
        if not is_whole:
            why = f"{seen}: K, {span([v + KELVIN for v in values], 1)} °C"
            return Degrees(1.0, KELVIN, likely, why)
        why = (
            f"{seen}: cannot be told; tenths are {span([v / 10 for v in values], 1)} °C, kelvin "
            f"{span([v + KELVIN for v in values], 0)} °C. Compare with a thermometer"
        )
        return Degrees(0.1, 0.0, unsure, why)
    if low >= -40 and high <= 48:
        return Degrees(1.0, 0.0, likely, f"{seen} °C, by its size")
    if 48 < high <= 130 and low >= 20:
        why = (
            f"{seen}: cannot be told; °F would be {span([(v - 32) / 1.8 for v in values], 0)} °C. "
            "Compare with a thermometer"
        )
        return Degrees(1.0, 0.0, unsure, why)
    for scale, name in ((0.1, "tenths"), (0.01, "hundredths"), (0.001, "thousandths")):
        if low * scale >= -40 and high * scale <= 80 and is_whole:
            why = f"{seen}: {name} of °C"
            return Degrees(scale, 0.0, likely, why)
    return None
