"""What is to be varied: `cell_spread_mv 20..60 step 5` as a person writes it, with its values.

FIGURE [OPERATOR] LOW..HIGH step STEP   the limit of that figure in `when`
COMPARISON: LOW..HIGH step STEP         the same, with the comparison as it stands in the rule
on_delay LOW..HIGH step STEP            durations; off_delay likewise
deadband FIGURE LOW..HIGH step STEP
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

from watchd.durations import SECONDS
from watchd.errors import WatchdError

MOST_VALUES = 200
FORM = "FIGURE LOW..HIGH step STEP, such as 'cell_spread_mv 20..60 step 5'"
DELAYS = ("on_delay", "off_delay")
DEADBAND = "deadband"
_AMOUNT = r"[-+]?\d{1,12}(?:\.\d{1,9})?(?:\s*(?:s|min|h|d))?"
_FORM = re.compile(
    r"\s*(?P<what>.+?)(?:\s*(?P<operator>>=|<=|==|!=|>|<)\s*|\s*:\s*|\s+)"
    rf"(?P<low>{_AMOUNT})\s*\.\.\s*(?P<high>{_AMOUNT})\s+step\s+(?P<step>{_AMOUNT})\s*"
)
_PARTS = re.compile(r"([-+]?[\d.]+)\s*([a-z]*)")


@dataclass(frozen=True, slots=True)
class Amount:
    """A number as it was written; `unit` is that of a duration, or nothing."""

    number: Decimal
    unit: str

    def in_unit(self, unit: str) -> Decimal:
        """The number in the unit of what it is an amount of. Raises WatchdError."""
        if not self.unit:
            return self.number
        if unit not in SECONDS:
            raise WatchdError(f"'{self}' is a duration, but what is varied has another unit")
        return self.number * SECONDS[self.unit] / SECONDS[unit]

    def __str__(self) -> str:
        return f"{self.number} {self.unit}".strip()


@dataclass(frozen=True, slots=True)
class Variation:
    """`what` is a figure, a function of one, or a comparison; `operator` if one was given."""

    what: str
    operator: str | None
    low: Amount
    high: Amount
    step: Amount

    def values(self, unit: str) -> list[float]:
        """From low to high, both included, in `unit`. Raises WatchdError: too many, or none."""
        low, high, step = (a.in_unit(unit) for a in (self.low, self.high, self.step))
        if low >= high:
            raise WatchdError(f"{self.low}..{self.high} does not rise: write the lower value first")
        if step <= 0:
            raise WatchdError(f"the step is {self.step}; it has to be more than 0")
        number = int((high - low) / step) + 1
        if number > MOST_VALUES:
            raise WatchdError(f"{number:,} values; at most {MOST_VALUES}: take a larger step")
        return [float(low + index * step) for index in range(number)]


def parse_variation(text: str) -> Variation:
    """What the text of `--vary` says. Raises WatchdError."""
    match = _FORM.fullmatch(text)
    if match is None:
        raise WatchdError(f"'{text}' cannot be varied; write {FORM}")
    low, high, step = (_amount(match[name]) for name in ("low", "high", "step"))
    if len({bool(a.unit) for a in (low, high, step)}) > 1:
        raise WatchdError(f"'{text}': write s, min, h or d at all three numbers, or at none")
    return Variation(match["what"], match["operator"], low, high, step)


def _amount(text: str) -> Amount:
    match = _PARTS.fullmatch(text)
    if match is None:
        raise ValueError(f"'{text}' is no amount")
    return Amount(Decimal(match[1]), match[2])
